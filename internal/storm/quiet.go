package storm

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"huskline/internal/checker"
	"huskline/internal/storm/plant"
	"huskline/internal/storm/trade"
)

const (
	// drainLimit is how long after the last fault everything must have taken effect everywhere.
	drainLimit = 30 * time.Second
	// answerLimit is how long traders may wait for the answers of the steps they have begun.
	answerLimit = 5 * time.Minute
	// auditMost is how many lots of each trader are asked for at a quiet point.
	auditMost = 25
)

// quiet lets the traders finish what they began, waits until all has arrived everywhere, and checks everything.
func (s *Storm) quiet(ctx context.Context) error {
	waiting, cancel := context.WithTimeout(ctx, answerLimit)
	defer cancel()
	if err := s.gate.Close(waiting); err != nil {
		s.find("%v", err)
		return nil
	}
	defer s.gate.Open()
	began := time.Now()
	if behind := s.drain(ctx); behind != "" {
		s.find("not drained within %v of the last fault: %s", drainLimit, behind)
		return nil
	}
	drained := time.Now()
	defer func() { s.note("drained in %v, checked in %v", drained.Sub(began), time.Since(drained)) }()
	for _, end := range s.Plant.Ends() {
		s.find("%s", end)
	}
	for _, bug := range bugsIn(s.Plant.Logs()) {
		s.find("a service says that an invariant of its own is broken: %s", bug)
	}
	if err := s.check(ctx); err != nil {
		return err
	}
	for _, t := range s.everybody() {
		if _, err := t.Audit(ctx, auditMost); err != nil {
			s.find("an audit was not answered: %v", err)
		}
	}
	for _, wrong := range s.journal.Wrongs() {
		s.find("%s", wrong)
	}
	return ctx.Err()
}

// everybody are all who trade, always or now and then.
func (s *Storm) everybody() []*trade.Trader {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Concat(s.traders, slices.Collect(maps.Values(s.workers)))
}

// check runs the checker on the plant as it stands.
func (s *Storm) check(ctx context.Context) error {
	p := checker.Plant{
		Databases: map[string]string{}, RunTime: map[string]string{}, Wait: drainLimit,
		Clients: &checker.Clients{Intake: s.clients.Intake, Inventory: s.clients.Inventory, Production: s.clients.Production},
	}
	for _, name := range plant.Services() {
		p.Databases[name], p.RunTime[name] = s.Plant.SuperDSN(name), s.Plant.RunDSN(name)
	}
	for _, e := range s.journal.Entries() {
		p.Journal = append(p.Journal, checker.Accepted(e.Request, e.Answer))
	}
	report, err := checker.At(ctx, p)
	if err != nil {
		return fmt.Errorf("the checker could not look: %w", err)
	}
	if f, err := os.Create(filepath.Join(s.cfg.Dir, "checker.txt")); err == nil {
		_ = report.Write(f)
		_ = f.Close()
	}
	if err := report.Err(); err != nil {
		s.find("%v", err)
	}
	if !report.AtRest {
		s.find("the plant does not come to rest within %v", drainLimit)
	}
	return nil
}

// drain waits until every service has taken in all events of the others, every relay has nothing to publish and no posting is open; it returns
// what is not so at the limit.
func (s *Storm) drain(ctx context.Context) string {
	var behind string
	poll(ctx, drainLimit, func() bool {
		behind = s.behind(ctx)
		return behind == ""
	})
	return behind
}

func (s *Storm) behind(ctx context.Context) string {
	heads := map[string]int64{} // places
	for _, name := range plant.Services() {
		head, err := s.Plant.Number(ctx, name, `select `+placeOf+` from head`)
		if err != nil {
			return err.Error()
		}
		heads[name] = head
		open, err := s.Plant.Number(ctx, name, `select count(*) from open_intents`)
		if err != nil {
			return err.Error()
		}
		backlog, err := s.Plant.Number(ctx, name, `select count(*) from events e cross join relay_cursor c where (e.epoch, e.position) > (c.epoch, c.position)`)
		switch {
		case err != nil:
			return err.Error()
		case open > 0:
			return fmt.Sprintf("%d postings of %s are open", open, name)
		case backlog > 0:
			return fmt.Sprintf("%d events of %s are not published", backlog, name)
		}
	}
	for _, name := range plant.Services() {
		for _, other := range plant.Services() {
			if other == name {
				continue
			}
			at, err := s.taken(ctx, name, other)
			if err != nil {
				return err.Error()
			}
			if at < heads[other] {
				return fmt.Sprintf("%s is at %d/%d of %s, whose head is at %d/%d", name, at/epochStep, at%epochStep, other, heads[other]/epochStep, heads[other]%epochStep)
			}
		}
	}
	return s.says(ctx)
}

// epochStep tells epochs apart in a place, which is a position with its epoch in one number.
const epochStep = 1_000_000_000

// placeOf is the place of a row with epoch and position.
const placeOf = `epoch * 1000000000 + position`

// taken is the place up to which a service has taken in the events of another; 0: nothing.
func (s *Storm) taken(ctx context.Context, service, producer string) (int64, error) {
	return s.Plant.Number(ctx, service, `select coalesce(max(`+placeOf+`), 0) from cursors where producer = '`+producer+`'`)
}

// says asks each service what it itself says about its backlogs; one that believes to be behind when it is not raises alarms for nothing.
func (s *Storm) says(ctx context.Context) string {
	client := &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{
		TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true, // what it says is no secret and no order
	}}
	for _, name := range plant.Services() {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://"+s.Plant.HTTP(name)+"/metrics", nil)
		if err != nil {
			return err.Error()
		}
		answer, err := client.Do(req)
		if err != nil {
			return err.Error()
		}
		told, behind := 0, ""
		for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
			text := lines.Text()
			if strings.HasPrefix(text, "huskline_inbox_behind{") || strings.HasPrefix(text, "huskline_outbox_backlog ") {
				told++
				if !strings.HasSuffix(text, " 0") {
					behind = name + " says " + text
				}
			}
		}
		_ = answer.Body.Close()
		switch {
		case behind != "":
			return behind
		case told != 3: // of two others, and its own
			return fmt.Sprintf("%s tells %d of its backlogs, there are 3", name, told)
		}
	}
	return ""
}

// bugsIn finds in the logs what a service itself calls a broken invariant, and panics.
func bugsIn(dir string) []string {
	files, err := filepath.Glob(filepath.Join(dir, "*.log"))
	if err != nil {
		return nil
	}
	var bugs []string
	for _, file := range files {
		f, err := os.Open(file)
		if err != nil {
			continue
		}
		lines := bufio.NewScanner(f)
		lines.Buffer(nil, 4<<20)
		for lines.Scan() && len(bugs) < 5 {
			text := lines.Text()
			var l struct {
				Error string `json:"error"`
				Stack string `json:"stack"`
			}
			if strings.HasPrefix(text, "panic:") || strings.HasPrefix(text, "fatal error:") ||
				strings.Contains(text, `"stack"`) && json.Unmarshal([]byte(text), &l) == nil && l.Stack != "" {
				bugs = append(bugs, filepath.Base(file)+": "+text[:min(len(text), 600)])
			}
		}
		_ = f.Close()
	}
	return bugs
}
