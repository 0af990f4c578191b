package sim

// Fault is a thing that goes wrong.
type Fault string

// The faults. Those of processes: one ends between any two steps; one ends with all of a transaction written and nothing committed; a power cut
// takes what was committed without waiting for the disk. Those of transactions: one is taken back and run again, as after a deadlock; the answer
// to a commit is lost. Those of calls: the request or the answer is lost, the request comes late or twice, the caller does not wait. Those of the
// bus: a message is lost, comes twice, comes again after all others, or is forged; order is never kept. Services do not reach each other; a clock
// goes forward or back; an event cannot be read by this version; a caller sends an old command again, or its id with another message.
const (
	Crash         Fault = "crash"
	CrashInCommit Fault = "crash before commit"
	PowerCut      Fault = "power cut"
	Deadlock      Fault = "transaction run again"
	CommitUnknown Fault = "commit's answer lost"
	RequestLost   Fault = "request lost"
	AnswerLost    Fault = "answer lost"
	RequestLate   Fault = "request late"
	RequestTwice  Fault = "request twice"
	Impatient     Fault = "caller gone"
	MessageLost   Fault = "message lost"
	MessageTwice  Fault = "message twice"
	MessageForged Fault = "message forged"
	Storm         Fault = "redelivery storm"
	Partition     Fault = "partition"
	ClockForward  Fault = "clock forward"
	ClockBack     Fault = "clock back"
	Poison        Fault = "poisoned event"
	OldCommand    Fault = "old command again"
	ReusedID      Fault = "id reused"
)

// Faults lists all, in the order in which they are printed.
func Faults() []Fault {
	return []Fault{
		Crash, CrashInCommit, PowerCut, Deadlock, CommitUnknown, RequestLost, AnswerLost, RequestLate, RequestTwice, Impatient,
		MessageLost, MessageTwice, MessageForged, Storm, Partition, ClockForward, ClockBack, Poison, OldCommand, ReusedID,
	}
}

// perMille is how often a fault comes where it could, in a seed that has much of it.
var perMille = map[Fault]int{
	Crash: 20, CrashInCommit: 30, PowerCut: 10, Deadlock: 60, CommitUnknown: 40, RequestLost: 80, AnswerLost: 120, RequestLate: 100, RequestTwice: 100,
	Impatient: 60, MessageLost: 300, MessageTwice: 200, MessageForged: 40, Storm: 5, Partition: 15, ClockForward: 15, ClockBack: 15, Poison: 12,
	OldCommand: 100, ReusedID: 60,
}

// plan is how often each fault comes in a seed. Half of the faults do not come at all, others rarely: a storm of everything hides what a single
// fault does at a quiet moment.
func (w *World) plan() {
	w.rates = map[Fault]int{}
	for _, f := range Faults() {
		switch w.rng.IntN(4) {
		case 0:
			w.rates[f] = perMille[f]
		case 1:
			w.rates[f] = max(1, perMille[f]/5)
		}
	}
}

// hit draws whether a fault comes now, and counts it.
func (w *World) hit(f Fault) bool {
	rate := w.rates[f]
	if w.calm || rate == 0 || w.rng.IntN(1000) >= rate {
		return false
	}
	w.injected[f]++
	w.note("fault: %s", f)
	return true
}

// faults lets at most one fault of processes, clocks and networks come, between two steps.
func (w *World) faults() {
	if w.calm {
		return
	}
	s := w.services[w.rng.IntN(len(w.services))]
	switch w.rng.IntN(7) {
	case 0:
		if s.up && w.hit(Crash) {
			w.crash(s, false)
		}
	case 1:
		if s.up && w.hit(PowerCut) {
			w.crash(s, true)
		}
	case 2:
		if w.hit(ClockForward) {
			s.skew += w.span(w.rng.IntN(3))
		}
	case 3:
		if w.hit(ClockBack) {
			s.skew -= w.span(w.rng.IntN(3))
		}
	case 4:
		if w.hit(Partition) {
			w.cut = map[pair]bool{}
			for i, a := range w.services {
				for _, b := range w.services[i+1:] {
					w.cut[pairOf(a.name, b.name)] = w.rng.IntN(2) == 0
				}
			}
			w.cutUntil = w.steps + 20 + w.rng.IntN(200)
		}
	case 5:
		if w.hit(Storm) {
			w.storm()
		}
	case 6:
		if s.up && w.hit(Poison) {
			w.poison(s)
		}
	}
}
