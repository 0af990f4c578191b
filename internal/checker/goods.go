package checker

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"huskline/internal/snapshot"
	"huskline/internal/verify"
	eventv1 "huskline/proto/huskline/event/v1"
)

// runAccount leads the name of the account that holds what is in process in a run.
const runAccount = "run/"

// runsBalance looks at closed runs: nothing is left in process, what production says is what inventory posted, and each version closed once.
func runsBalance(_ context.Context, s *state, f *Finding) {
	left := map[string]map[string]int64{}
	for _, r := range s.table("inventory", "legs") {
		run, ok := strings.CutPrefix(r.Text("account"), runAccount)
		if !ok {
			continue
		}
		if left[run] == nil {
			left[run] = map[string]int64{}
		}
		left[run][r.Text("measure")] += r.Int("quantity")
	}
	for _, r := range s.table("inventory", "runs") {
		f.Checked++
		if !r.Bool("final") {
			continue
		}
		for measure, n := range left[r.Text("run")] {
			if n != 0 {
				f.broken("inventory", r.ID(), "it is closed and %d of measure %s are still in process", n, measure)
			}
		}
	}
	s.closedOnce(f)
	s.fromRecompute(f, "run")
	sortViolations(f)
}

// closedOnce counts how often production said that a version of a run ended, and compares the row of the run.
func (s *state) closedOnce(f *Finding) {
	type versionOf struct {
		run     string
		version int64
	}
	first := map[versionOf]said{}
	latest := map[string]*eventv1.RunCompleted{}
	for _, x := range s.once("production") {
		c := x.event.GetRunCompleted()
		if c == nil {
			c = x.event.GetRunCorrected().GetCompleted()
		}
		if c == nil {
			continue
		}
		k := versionOf{c.GetRun(), c.GetVersion()}
		if other, ok := first[k]; ok {
			f.broken("production", x.row.ID(), "version %d of run %s had ended with %s", k.version, k.run, other.place)
		}
		first[k] = x
		if d := c.GetInputMicropounds() - c.GetOutputMicropounds(); d != c.GetUnaccountedMicropounds() {
			f.broken("production", x.row.ID(), "input less output is %d, unaccounted is said to be %d", d, c.GetUnaccountedMicropounds())
		}
		if latest[k.run].GetVersion() <= k.version {
			latest[k.run] = c
		}
	}
	for _, r := range s.table("production", "runs") {
		c := latest[r.Text("run")]
		if c == nil || r.Text("phase") != "complete" {
			continue
		}
		if r.Int("version") == c.GetVersion() && (r.Int("input") != c.GetInputMicropounds() || r.Int("output") != c.GetOutputMicropounds()) {
			f.broken("production", r.ID(), "input %d, output %d; its event says %d and %d", r.Int("input"), r.Int("output"), c.GetInputMicropounds(), c.GetOutputMicropounds())
		}
	}
}

// ownersKeep adds up each fact's legs by owner: only a purchase takes from one and gives to another.
func ownersKeep(_ context.Context, s *state, f *Finding) {
	byFact := map[string]map[string]int64{}
	for _, r := range s.table("inventory", "legs") {
		if r.Null("lot") {
			continue
		}
		k := r.Text("fact")
		if byFact[k] == nil {
			byFact[k] = map[string]int64{}
		}
		byFact[k][r.Text("owner")] += r.Int("quantity")
	}
	bought := map[string]bool{}
	for _, r := range s.table("intake", "purchases") {
		bought[r.Text("purchase")] = true
	}
	for fact, owners := range byFact {
		f.Checked++
		purchase, isPurchase := strings.CutPrefix(fact, "purchase/")
		if isPurchase {
			if s.atRest && !bought[purchase] {
				f.broken("inventory", "legs(fact="+fact+")", "title passed and intake has no such purchase")
			}
			continue
		}
		if fact == "" || strings.HasPrefix(fact, "correction/") {
			continue
		}
		var gaining, losing []string
		for owner, n := range owners {
			if n > 0 {
				gaining = append(gaining, owner)
			} else if n < 0 {
				losing = append(losing, owner)
			}
		}
		slices.Sort(gaining)
		slices.Sort(losing)
		if len(gaining) > 0 && len(losing) > 0 && !slices.Equal(gaining, losing) {
			f.broken("inventory", "legs(fact="+fact+")", "nuts of %q become nuts of %q without a purchase", losing, gaining)
		}
	}
	s.fromRecompute(f, "owner")
	sortViolations(f)
}

// centsAdd looks at what the facts alone say of money, and at the proof lines that the plant prints.
func centsAdd(ctx context.Context, s *state, f *Finding) {
	s.fromRecompute(f, "money")
	s.fromRecompute(f, "price")
	s.fromRecompute(f, "charge")
	f.Checked = len(s.table("production", "charges")) + len(s.table("intake", "received"))
	s.proof(ctx, f)
	sortViolations(f)
}

// lineage is what came from what, as inventory keeps it: lots, and runs as nodes that begin with a blank.
type lineage struct {
	children, parents map[string][]string
	table             map[string]map[string]bool // of a run's output, by run and output: the inputs that its contribution table gives it
	rows              map[string]snapshot.Row
}

func (s *state) lineage() *lineage {
	l := &lineage{children: map[string][]string{}, parents: map[string][]string{}, table: map[string]map[string]bool{}, rows: map[string]snapshot.Row{}}
	seen := map[[2]string]bool{}
	for _, r := range s.table("inventory", "edges") {
		p, c := r.Text("parent"), r.Text("child")
		if !seen[[2]string{p, c}] {
			seen[[2]string{p, c}] = true
			l.children[p], l.parents[c] = append(l.children[p], c), append(l.parents[c], p)
			l.rows[p+"\x00"+c] = r
		}
	}
	for _, r := range s.table("inventory", "contributions") {
		k := r.Text("run") + "\x00" + r.Text("output")
		if l.table[k] == nil {
			l.table[k] = map[string]bool{}
		}
		l.table[k][r.Text("input")] = true
	}
	return l
}

// fedBy are the lots that a lot was made from, directly: through a run all its inputs, or those of its contribution table where that names the lot.
func (l *lineage) fedBy(lot string) []string {
	var out []string
	for _, p := range l.parents[lot] {
		run, isRun := strings.CutPrefix(p, " ")
		if !isRun {
			out = append(out, p)
			continue
		}
		only := l.table[run+"\x00"+lot]
		for _, input := range l.parents[p] {
			if only == nil || only[input] {
				out = append(out, input)
			}
		}
	}
	return out
}

// makes are the lots made from a lot, directly.
func (l *lineage) makes(lot string) []string {
	var out []string
	for _, c := range l.children[lot] {
		run, isRun := strings.CutPrefix(c, " ")
		if !isRun {
			out = append(out, c)
			continue
		}
		for _, output := range l.children[c] {
			if only := l.table[run+"\x00"+output]; only == nil || only[lot] {
				out = append(out, output)
			}
		}
	}
	return out
}

// reach is all that a step leads to, the start left out.
func reach(from string, step func(string) []string) map[string]bool {
	out := map[string]bool{}
	left := []string{from}
	for len(left) > 0 {
		at := left[len(left)-1]
		left = left[:len(left)-1]
		for _, n := range step(at) {
			if !out[n] {
				out[n] = true
				left = append(left, n)
			}
		}
	}
	return out
}

// noCycle walks down from each lot, and holds the order of first acceptance against the edges.
func noCycle(_ context.Context, s *state, f *Finding) {
	l := s.lineage()
	for from := range l.children {
		f.Checked++
		step := func(n string) []string { return l.children[n] }
		if reach(from, step)[from] {
			f.broken("inventory", "edges(parent="+from+")", "it is made from itself")
		}
	}
	s.bornBefore(f)
	s.fromRecompute(f, "trace")
	sortViolations(f)
}

// bornBefore: what an accepted posting takes in was born by an earlier event of inventory, or by one of another producer that it names.
func (s *state) bornBefore(f *Finding) {
	gate := map[string]place{}
	// Where intake was restored to an earlier moment, what it said stands at another place than inventory first took it at.
	for _, x := range slices.Concat(s.kept("inventory", "intake"), s.once("intake")) {
		b := x.event.GetLotReceived()
		if b == nil {
			continue
		}
		if at, known := gate[b.GetLot()]; !known || x.place.before(at) {
			gate[b.GetLot()] = x.place
		}
	}
	born := map[string]bool{}
	for _, x := range s.once("inventory") {
		for _, lot := range drawnBy(x.event) {
			at, atGate := gate[lot]
			named := place{producer: "intake"}
			for _, r := range x.event.GetAfter() {
				if r.GetProducer() == "intake" {
					named = receiptPlace(r)
				}
			}
			if !born[lot] && (!atGate || named.before(at)) && !s.boughtAs(lot) {
				f.broken("inventory", x.row.ID(), "lot %s goes in before it was accepted itself", lot)
			}
		}
		for _, lot := range bornBy(x.event) {
			born[lot] = true
		}
	}
}

// boughtAs tells whether a lot is one that title made, which intake alone tells of.
func (s *state) boughtAs(lot string) bool {
	for _, r := range s.table("inventory", "lots") {
		if r.Text("lot") == lot {
			return r.Text("source") == "purchase"
		}
	}
	return false
}

func drawnBy(e *eventv1.Event) []string {
	var out []string
	for _, in := range e.GetRunPosted().GetInputs() {
		out = append(out, in.GetLot())
	}
	if p := e.GetLotPoured(); p != nil {
		out = append(out, p.GetLot())
	}
	for _, l := range e.GetLotShipped().GetLines() {
		out = append(out, l.GetLot())
	}
	return out
}

func bornBy(e *eventv1.Event) []string {
	var out []string
	for _, o := range e.GetRunPosted().GetOutputs() {
		out = append(out, o.GetLot())
	}
	if p := e.GetLotPoured(); p != nil {
		out = append(out, p.GetBinLot())
	}
	if r := e.GetLotReturned(); r != nil {
		out = append(out, r.GetLot())
	}
	for _, run := range e.GetLotsCorrected().GetRuns() {
		for _, o := range run.GetOutputs() {
			out = append(out, o.GetLot())
		}
	}
	for _, p := range e.GetLotsCorrected().GetPours() {
		out = append(out, p.GetBinLot())
	}
	return out
}

// fromRecompute brings in what the recomputation from all logs found under one of its checks.
func (s *state) fromRecompute(f *Finding, check string) {
	r, why := s.recomputed()
	if why != "" {
		f.partly("the facts of all producers were not recomputed together: %s", why)
		return
	}
	for _, d := range r.Differences {
		if d.Check == check {
			f.broken("all", d.Subject, "want %s, got %s", d.Want, d.Got)
		}
	}
}

// recomputed is the recomputation from the logs of all producers. Logs of different moments do not fit together, so it is made at rest only.
func (s *state) recomputed() (*verify.Report, string) {
	if !s.atRest {
		return nil, "the plant was not at rest"
	}
	if s.recompute == nil {
		s.recompute = verify.Recompute(s.logs(), nil)
	}
	return s.recompute, ""
}

func (s *state) logs() []verify.Log {
	var out []verify.Log
	for _, name := range services() {
		l := verify.Log{Producer: name}
		for _, r := range s.table(name, "head") {
			l.Head = headOf(name, r)
		}
		for _, r := range s.table(name, "epochs_ended") {
			l.Earlier = append(l.Earlier, headOf(name, r))
		}
		for _, x := range s.own(name) {
			l.Envelopes = append(l.Envelopes, &eventv1.Envelope{Producer: name, Epoch: x.epoch, Position: x.position, RecordedMicros: x.row.Int("recorded_micros"),
				PreviousHash: x.row.Bytes("previous_hash"), Hash: x.row.Bytes("hash"), Payload: x.row.Bytes("payload"), Type: x.row.Text("type")})
		}
		out = append(out, l)
	}
	return out
}

func headOf(producer string, r snapshot.Row) *eventv1.Head {
	return &eventv1.Head{At: &eventv1.Receipt{Producer: producer, Epoch: r.Int("epoch"), Position: r.Int("position")}, Hash: r.Bytes("hash")}
}

// finishedItems are the items of lots that are ready to be sold.
func (s *state) finishedItems() map[string]bool {
	out := map[string]bool{}
	finished := fmt.Sprint(int32(eventv1.ItemKind_ITEM_KIND_FINISHED))
	for _, r := range s.table("inventory", "items") {
		if r.Text("kind") == finished {
			out[r.Text("item")] = true
		}
	}
	return out
}
