package genealogy

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// Step is the mass balance of a run: what went in less what came out.
type Step struct {
	Run         lot.RunID
	Version     int64
	Stage       string
	Owner       lot.PartyID
	At          time.Time // of its first line
	Input       weight.Mass
	Output      weight.Mass
	Unaccounted weight.Mass // Input - Output; below zero is a gain. Of an open run it is still in process
	Open        bool
	GainReason  string
}

// Steps are the runs that took in or made any of the lots, in time order, then by code.
func (v View) Steps(ids []lot.ID) ([]Step, error) {
	x := v.index
	seen := newMarks(len(x.runs))
	var out []Step
	for _, id := range ids {
		n, err := v.find(id)
		if err != nil {
			return nil, err
		}
		for _, chain := range []int32{x.lots[n].in, x.lots[n].out} {
			for i := chain; i != none; i = x.legs[i].next {
				if l := &x.legs[i]; (l.kind == input || l.kind == output) && v.counts(i) && seen.add(l.peer) {
					out = append(out, v.step(l.peer))
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b Step) int { return cmp.Or(a.At.Compare(b.At), strings.Compare(string(a.Run), string(b.Run))) })
	return out, nil
}

// step is a run's balance. Up to a view's time a run whose last line is not reached yet is open.
func (v View) step(n int32) Step {
	x := v.index
	r := &x.runs[n]
	s := Step{
		Run: r.id, Version: r.version, Stage: r.stage, Owner: x.parties[r.owner].id, Open: !r.final, GainReason: r.gainReason,
	}
	first := int64(0)
	for i := r.first; i != none; i = x.legs[i].mate {
		l := &x.legs[i]
		if !v.counts(i) {
			s.Open = s.Open || !l.dead
			continue
		}
		if s.At.IsZero() || l.at < first {
			first, s.At = l.at, timeOf(l.at)
		}
		if l.kind == input {
			s.Input += v.pounds(l.lot, l.quantity)
		} else {
			s.Output += v.pounds(l.lot, l.quantity)
		}
	}
	s.Unaccounted = s.Input - s.Output
	return s
}
