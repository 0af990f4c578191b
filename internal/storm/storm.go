package storm

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"huskline/internal/lot"
	"huskline/internal/storm/plant"
	"huskline/internal/storm/trade"
)

// Config says what storm.
type Config struct {
	Dir     string // of its own; kept by the caller where the storm fails
	Program string // built with failpoints; "": it is built
	Seed    uint64
	Length  time.Duration // no round begins after it; 0: each fault once
	Traders int           // 0: 4
	Quick   bool          // each fault small, for tests
	Faults  []Fault
	Out     io.Writer // what happens, for people
	Hits    Hits      // added to; nil: not wanted
}

// Hits is how often services died at their named places: by service, then by place.
type Hits map[string]map[string]int

// Write prints a line for each place of each service that died at any.
func (h Hits) Write(w io.Writer) {
	fmt.Fprintln(w, "killed at a named place:")
	for _, service := range plant.Services() {
		for _, place := range places(service) {
			if len(h[service]) > 0 {
				fmt.Fprintf(w, "  %6d  %s %s\n", h[service][place], service, place)
			}
		}
	}
}

func (h Hits) add(service string, fired map[string]int) {
	if h[service] == nil {
		h[service] = map[string]int{}
	}
	for place, n := range fired {
		h[service][place] += n
	}
}

// Storm is a plant with its traders and what has been done to it.
type Storm struct {
	Plant *plant.Plant

	cfg     Config
	clients *trade.Clients
	journal *trade.Journal
	traders []*trade.Trader
	gate    *trade.Gate
	relied  []lot.Receipt // what was registered for all

	workers map[int]*trade.Trader // who work now and then, by their numbers
	later   string                // a program of a later version; "": not built yet

	injected map[string]int
	absent   map[string]string
	measured []string
	findings []string
	mu       sync.Mutex
}

// ErrViolated is a storm that found something that must not be.
var ErrViolated = errors.New("the storm found violations")

// Run lets it storm and prints what was injected and the verdict. ErrViolated: the folder holds schedule, journal, logs and data.
func Run(ctx context.Context, cfg Config) error {
	if cfg.Traders == 0 {
		cfg.Traders = 4
	}
	if cfg.Out == nil {
		cfg.Out = io.Discard
	}
	s := &Storm{cfg: cfg, gate: trade.NewGate(), workers: map[int]*trade.Trader{}, injected: map[string]int{}, absent: map[string]string{}}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if s.cfg.Program == "" {
		var err error
		if s.cfg.Program, err = plant.Build(ctx, cfg.Dir); err != nil {
			return err
		}
	}
	if err := s.open(ctx); err != nil {
		return errors.Join(err, s.close())
	}
	var working sync.WaitGroup
	for _, t := range s.traders {
		working.Go(func() { t.Trade(ctx, s.gate) })
	}
	err := s.rounds(ctx)
	if err == nil {
		s.verdict()
	}
	cancel()
	working.Wait()
	err = errors.Join(err, s.close())
	if err == nil && len(s.findings) > 0 {
		err = fmt.Errorf("%w: %d, seed %d", ErrViolated, len(s.findings), cfg.Seed)
	}
	return err
}

const (
	openLimit  = 2 * time.Minute
	injectMost = 4 * time.Minute // of one fault
	healLimit  = time.Minute
)

func (s *Storm) open(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, openLimit)
	defer cancel()
	var err error
	if s.journal, err = trade.OpenJournal(filepath.Join(s.cfg.Dir, "journal.jsonl")); err != nil {
		return err
	}
	if s.Plant, err = plant.Start(ctx, plant.Config{Dir: s.cfg.Dir, Program: s.cfg.Program}); err != nil {
		return err
	}
	if s.Plant.Disk.Absent != nil {
		s.say("NOT ON A DISK OF ITS OWN: %v; power cuts and full disks are not tried", s.Plant.Disk.Absent)
	}
	if s.clients, err = trade.Dial(s.Plant.Addr, s.Plant.CA, s.Plant.Token); err != nil {
		return err
	}
	first := trade.New(s.cfg.Seed, 0, s.clients, s.journal)
	if s.relied, err = first.Register(ctx); err != nil {
		return err
	}
	for i := range s.cfg.Traders {
		t := trade.New(s.cfg.Seed, i+1, s.clients, s.journal)
		t.Rely(s.relied...)
		s.traders = append(s.traders, t)
	}
	return nil
}

func (s *Storm) close() error {
	var errs []error
	if s.clients != nil {
		errs = append(errs, s.clients.Close())
	}
	if s.Plant != nil {
		errs = append(errs, s.Plant.Close())
	}
	if s.journal != nil {
		errs = append(errs, s.journal.Close())
	}
	return errors.Join(errs...)
}

// rounds makes fault after fault: each once in an order from the seed, then again in another.
func (s *Storm) rounds(ctx context.Context) error {
	end := time.Now().Add(s.cfg.Length)
	order := rand.New(rand.NewPCG(s.cfg.Seed, 1<<32))
	for round := 0; ; {
		faults := slices.Clone(s.cfg.Faults)
		order.Shuffle(len(faults), func(i, j int) { faults[i], faults[j] = faults[j], faults[i] })
		for _, f := range faults {
			if s.cfg.Length > 0 && time.Now().After(end) {
				return nil
			}
			round++
			if err := s.round(ctx, round, f); err != nil {
				return fmt.Errorf("round %d, %s: %w", round, f.Name, err)
			}
			if len(s.findings) > 0 {
				return nil // what follows would only blur it
			}
		}
		if s.cfg.Length == 0 {
			return nil
		}
	}
}

func (s *Storm) round(ctx context.Context, round int, f Fault) error {
	if f.Absent != nil {
		if err := f.Absent(s); err != nil {
			if _, told := s.absent[f.Name]; !told {
				s.say("NOT TRIED: %s: %v", f.Name, err)
			}
			s.absent[f.Name] = err.Error()
			return nil
		}
	}
	began, before := time.Now(), s.journal.Accepted()
	s.note("round %d: %s", round, f.Name)
	rng := rand.New(rand.NewPCG(s.cfg.Seed, uint64(round)))
	limited, cancel := context.WithTimeout(ctx, injectMost)
	err := f.Inject(limited, s, rng)
	if err == nil && f.Lasts > 0 {
		sleep(limited, s.lasts(f))
	}
	cancel()
	s.injected[f.Name]++
	if err != nil && ctx.Err() == nil {
		s.find("%s: %v", f.Name, err)
	}
	healing, cancel := context.WithTimeout(ctx, healLimit)
	defer cancel()
	if f.Heal != nil {
		if err := f.Heal(healing, s); err != nil {
			return err
		}
	}
	if err := s.Plant.AwaitReady(healing); err != nil {
		return err
	}
	healed := time.Now()
	if err := s.quiet(ctx); err != nil {
		return err
	}
	s.say("%4d  %-44s %5.1f s, healed and checked in %4.1f s, %d commands", round, f.Name, healed.Sub(began).Seconds(), time.Since(healed).Seconds(),
		s.journal.Accepted()-before)
	return nil
}

// quickLasts is how long a fault lasts in the quick set.
const quickLasts = 1500 * time.Millisecond

// quickWork is how many commands are enough work in the quick set.
const quickWork = 10

// work lets the traders work for some time; in the quick set until some commands were answered, at most that long.
func (s *Storm) work(ctx context.Context, most time.Duration) {
	if !s.cfg.Quick {
		sleep(ctx, most)
		return
	}
	until := s.journal.Accepted() + quickWork
	poll(ctx, most, func() bool { return s.journal.Accepted() >= until })
}

// times is how often something is done: in the quick set half as often.
func (s *Storm) times(n int) int {
	if s.cfg.Quick {
		return (n + 1) / 2
	}
	return n
}

func (s *Storm) lasts(f Fault) time.Duration {
	if s.cfg.Quick {
		return min(f.Lasts, quickLasts)
	}
	return f.Lasts
}

// say prints a line for people, and keeps it beside the plant.
func (s *Storm) say(format string, args ...any) {
	fmt.Fprintf(s.cfg.Out, format+"\n", args...)
	s.note(format, args...)
}

// note keeps a line beside the plant: the schedule as it came to be.
func (s *Storm) note(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, err := os.OpenFile(filepath.Join(s.cfg.Dir, "schedule.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return
	}
	defer func() { _ = f.Close() }()
	fmt.Fprintf(f, "%s "+format+"\n", append([]any{time.Now().UTC().Format("15:04:05.000")}, args...)...)
}

// find keeps what must not be.
func (s *Storm) find(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	s.mu.Lock()
	s.findings = append(s.findings, text)
	s.mu.Unlock()
	s.say("VIOLATED: %s", text)
}

// measure keeps a figure for the verdict.
func (s *Storm) measure(format string, args ...any) {
	s.mu.Lock()
	s.measured = append(s.measured, fmt.Sprintf(format, args...))
	s.mu.Unlock()
}

// verdict prints what was injected how often and what came of it.
func (s *Storm) verdict() {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d\ninjected:\n", s.cfg.Seed)
	for _, name := range slices.Sorted(maps.Keys(s.injected)) {
		fmt.Fprintf(&b, "  %6d  %s\n", s.injected[name], name)
	}
	hits := Hits{}
	for _, service := range plant.Services() {
		fired := s.Plant.Fired(service)
		hits.add(service, fired)
		if s.cfg.Hits != nil {
			s.cfg.Hits.add(service, fired)
		}
	}
	hits.Write(&b)
	for _, name := range slices.Sorted(maps.Keys(s.absent)) {
		fmt.Fprintf(&b, "NOT TRIED  %s: %s\n", name, s.absent[name])
	}
	for _, text := range s.measured {
		fmt.Fprintf(&b, "measured: %s\n", text)
	}
	b.WriteString(s.journal.Summary())
	if len(s.findings) == 0 {
		b.WriteString("verdict: nothing lost, nothing doubled, every invariant holds\n")
	} else {
		fmt.Fprintf(&b, "verdict: %d VIOLATIONS; run it again with --seed %d\n", len(s.findings), s.cfg.Seed)
	}
	s.say("%s", strings.TrimRight(b.String(), "\n"))
}
