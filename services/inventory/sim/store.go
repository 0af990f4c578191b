// Package sim gives the simulation what is pure in inventory: the ledger, holds with their spreading, shipments and the answer to a movement, over
// tables in memory in place of SQL. It is for tests only.
package sim

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/sim/mem"
	"huskline/services/inventory/internal/consumer"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// store is inventory's tables.
type store struct {
	claims       *mem.Table[lot.ID, string]
	codes        *mem.Table[int, int64]
	lots         *mem.Table[lot.ID, stock.Lot]
	facts        *mem.Table[string, bool]
	legs         *mem.List[stock.Leg]
	emptied      *mem.List[stock.Emptied]
	balances     *mem.Table[string, balance] // by spot
	containers   *mem.Table[string, stock.Container]
	runs         *mem.Table[lot.RunID, stock.RunState] // without lines
	lines        *mem.Table[lot.RunID, []stock.Line]   // of all versions
	tables       *mem.Table[lot.RunID, []lot.Contribution]
	edges        *mem.Table[string, stock.Edge]
	places       *mem.Table[lot.PlaceID, stock.NamedPlace]
	reasons      *mem.Table[string, lot.Account]
	items        *mem.Table[lot.ItemID, item]
	parties      *mem.Table[lot.PartyID, bool]
	tries        *mem.Table[string, try]
	holds        *mem.Table[string, hold.Hold]
	flags        *mem.Table[string, flag]         // by lot and hold
	frontier     *mem.Table[string, stock.Marked] // by hold and lot
	dispositions *mem.Table[string, disposition]
	shipments    *mem.Table[string, shipping.Shipment] // lines are values of their own
}

type balance struct {
	spot stock.Spot
	stock.Balance
}

type item struct {
	stock.Item
	unit lot.Quantity
	at   time.Time
}

type try struct{ refusal error } // nil: accepted

type flag struct {
	stock.Marked
	excluded, inherited bool
	reason              string
}

type disposition struct {
	lot.Disposed
	spent  lot.Quantity
	number int
}

func newStore(log *mem.Log) *store {
	return &store{
		claims: mem.NewTable[lot.ID, string](log), codes: mem.NewTable[int, int64](log), lots: mem.NewTable[lot.ID, stock.Lot](log),
		facts: mem.NewTable[string, bool](log), legs: mem.NewList[stock.Leg](log),
		emptied: mem.NewList[stock.Emptied](log), balances: mem.NewTable[string, balance](log),
		containers: mem.NewTable[string, stock.Container](log), runs: mem.NewTable[lot.RunID, stock.RunState](log),
		lines: mem.NewTable[lot.RunID, []stock.Line](log), tables: mem.NewTable[lot.RunID, []lot.Contribution](log),
		edges: mem.NewTable[string, stock.Edge](log), places: mem.NewTable[lot.PlaceID, stock.NamedPlace](log), reasons: mem.NewTable[string, lot.Account](log),
		items: mem.NewTable[lot.ItemID, item](log), parties: mem.NewTable[lot.PartyID, bool](log), tries: mem.NewTable[string, try](log),
		holds: mem.NewTable[string, hold.Hold](log), flags: mem.NewTable[string, flag](log), frontier: mem.NewTable[string, stock.Marked](log),
		dispositions: mem.NewTable[string, disposition](log), shipments: mem.NewTable[string, shipping.Shipment](log),
	}
}

// key joins parts of a key.
func key[S ~string](parts ...S) string {
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = string(p)
	}
	return strings.Join(out, "\x00")
}

func spotKey(s stock.Spot) string { return key(string(s.Lot), string(s.Place), string(s.Owner)) }

// tx is a transaction as the domains see it. What the simulation does not use (counts, tokens) is not there: to call it is a nil dereference.
type tx struct {
	judge.Tx
	s  *store
	at time.Time
}

var (
	_ stock.Tx      = (*tx)(nil)
	_ hold.Tx       = (*tx)(nil)
	_ hold.SpreadTx = (*tx)(nil)
	_ shipping.Tx   = (*tx)(nil)
	_ consumer.Tx   = (*tx)(nil)
)

// At is the time of recording.
func (t *tx) At() time.Time { return t.at }

// Claim reserves codes, all or nothing, and tells how many were new.
func (t *tx) Claim(_ context.Context, claims []stock.Claim) (int64, error) {
	for _, c := range claims {
		if by, ok := t.s.claims.Get(c.Lot); ok && by != c.Claimant && !strings.HasPrefix(by, stock.TakenBack) {
			return 0, fault.Conflict("lot_code_claimed", "lot %s: the code is claimed by %s; a code is never used again", c.Lot, by)
		}
	}
	n := int64(0)
	for _, c := range claims {
		if !t.s.claims.Has(c.Lot) {
			t.s.claims.Put(c.Lot, c.Claimant)
			n++
		}
	}
	return n, nil
}

// NextCode gives the next lot code of inventory's own for a year.
func (t *tx) NextCode(_ context.Context, year int) (lot.ID, error) {
	n, _ := t.s.codes.Get(year)
	t.s.codes.Put(year, n+1)
	return lot.NewCode('V', year, n+1)
}

func tryKey(command string, n int64) string { return command + "/" + string(rune('0'+n)) }

// Accept takes the try of a movement. One that was refused before gives that refusal again.
func (t *tx) Accept(_ context.Context, command string, n int64) error {
	k := tryKey(command, n)
	was, known := t.s.tries.Get(k)
	switch {
	case !known:
		t.s.tries.Put(k, try{})
		return nil
	case was.refusal != nil:
		return was.refusal
	}
	return fault.Bug("movement %s: try %d was accepted and has no answer", command, n)
}

func (t *tx) refuse(command string, n int64, why error) error {
	k := tryKey(command, n)
	if was, known := t.s.tries.Get(k); known {
		return was.refusal
	}
	refusal := fault.New(fault.KindOf(why), fault.ReasonOf(why), "%s", why.Error())
	t.s.tries.Put(k, try{refusal: refusal})
	return refusal
}

// Lock reads what is known of all that is named; transactions run one after the other, so nothing is to be locked.
func (t *tx) Lock(_ context.Context, want stock.Want) (*stock.Known, error) {
	k := &stock.Known{
		Runs: map[lot.RunID]*stock.RunState{}, Lots: map[lot.ID]*stock.Lot{}, Balances: map[stock.Spot]stock.Balance{},
		Units: map[lot.ItemID]lot.Quantity{}, Containers: map[lot.ID][]*stock.Container{}, Fills: map[lot.ID][]stock.Fill{},
		Flags: map[lot.ID][]stock.Flag{}, Dispositions: map[lot.ID][]*stock.Disposition{}, Claims: map[lot.ID]string{},
		Items: map[lot.ItemID]stock.Item{}, Parties: map[lot.PartyID]bool{}, Places: map[lot.PlaceID]stock.Place{},
		Reasons: map[string]lot.Account{},
	}
	if len(want.Runs) > 0 {
		k.Units = t.units()
	}
	for _, id := range want.Runs {
		if !t.s.runs.Has(id) {
			t.s.runs.Put(id, stock.RunState{ID: id})
		}
		k.Runs[id] = t.run(id, k.Units)
	}
	for _, id := range want.Lots {
		t.lockLot(id, k)
	}
	k.Spreading = t.s.frontier.Len() > 0
	for _, id := range want.Born {
		if by, ok := t.s.claims.Get(id); ok {
			k.Claims[id] = by
		}
	}
	t.names(want, k)
	return k, nil
}

// units is what a piece weighs, of items kept by count; packaging weighs nothing.
func (t *tx) units() map[lot.ItemID]lot.Quantity {
	out := map[lot.ItemID]lot.Quantity{}
	for id, i := range t.s.items.All() {
		if i.Measure == lot.ByCount && i.unit > 0 && i.Kind != lot.Packaging {
			out[id] = i.unit
		}
	}
	return out
}

// run is a run with the lines of its newest version; an empty one where there is none.
func (t *tx) run(id lot.RunID, units map[lot.ItemID]lot.Quantity) *stock.RunState {
	r, _ := t.s.runs.Get(id)
	r.ID = id
	lines, _ := t.s.lines.Get(id)
	for _, l := range lines {
		if l.Version == r.Version {
			l.Unit = units[l.Item]
			r.Lines = append(r.Lines, l)
		}
	}
	slices.SortFunc(r.Lines, func(a, b stock.Line) int {
		if a.Output != b.Output {
			if b.Output {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.Number, b.Number)
	})
	return &r
}

func (t *tx) lockLot(id lot.ID, k *stock.Known) {
	if l, ok := t.s.lots.Get(id); ok {
		k.Lots[id] = &l
	}
	for _, b := range t.s.balances.All() {
		if b.spot.Lot == id {
			k.Balances[b.spot] = b.Balance
		}
	}
	for _, c := range t.s.containers.All() {
		if c.Lot == id {
			k.Containers[id] = append(k.Containers[id], &c)
		}
	}
	if flags := t.flagsOn(id); len(flags) > 0 {
		k.Flags[id] = flags
	}
	for _, d := range t.sortedDispositions() {
		if d.Lot == id && d.spent < d.Quantity {
			k.Dispositions[id] = append(k.Dispositions[id], &stock.Disposition{
				ID: d.DispositionID, Hold: d.Hold, Lot: id, Decision: d.Decision, Left: d.Quantity - d.spent,
			})
		}
	}
	t.fills(id, k)
}

func (t *tx) sortedDispositions() []disposition {
	var all []disposition
	for _, d := range t.s.dispositions.All() {
		all = append(all, d)
	}
	slices.SortFunc(all, func(a, b disposition) int { return cmp.Compare(a.number, b.number) })
	return all
}

// fills are what runs put loose into a lot, where some hold was ever put on it.
func (t *tx) fills(id lot.ID, k *stock.Known) {
	if len(k.Flags[id]) == 0 {
		return
	}
	order := stock.FillKey(time.Time{}, stock.Run, "").Order
	sums := map[time.Time]lot.Quantity{}
	for _, l := range t.s.legs.Rows() {
		if l.Spot.Lot == id && l.Key.Order == order && l.Container == "" {
			sums[l.Key.At] += l.Quantity
		}
	}
	for at, q := range sums {
		if q > 0 {
			k.Fills[id] = append(k.Fills[id], stock.Fill{At: at, Quantity: q})
		}
	}
}

func (t *tx) names(want stock.Want, k *stock.Known) {
	for _, id := range want.Items {
		if i, ok := t.s.items.Get(id); ok {
			k.Items[id] = i.Item
		}
	}
	for _, id := range want.Parties {
		if t.s.parties.Has(id) {
			k.Parties[id] = true
		}
	}
	for _, r := range want.Reasons {
		if a, ok := t.s.reasons.Get(r); ok {
			k.Reasons[r] = a
		}
	}
	for _, id := range want.Places {
		place, ok := t.s.places.Get(id)
		if !ok {
			continue
		}
		p := stock.Place{Bin: place.Bin}
		for _, b := range t.s.balances.All() {
			if place.Bin && b.spot.Place == id && b.Quantity > 0 {
				p.Lots = append(p.Lots, b.spot.Lot)
			}
		}
		k.Places[id] = p
	}
}

// flagsOn are the holds on a lot that stand, by hold.
func (t *tx) flagsOn(id lot.ID) []stock.Flag {
	var out []stock.Flag
	for _, f := range t.s.flags.All() {
		if f.Lot != id {
			continue
		}
		h, _ := t.s.holds.Get(f.Hold)
		if h.Ended {
			continue
		}
		on := h.Flag()
		on.Excluded, on.Inherited = f.excluded, f.inherited
		if on.Root != id {
			on.Part, on.Containers, on.FillFrom, on.FillTo, on.Since = false, nil, time.Time{}, time.Time{}, time.Time{}
		}
		out = append(out, on)
	}
	return out
}

// Flags gives the holds on lots.
func (t *tx) Flags(_ context.Context, lots []lot.ID) (map[lot.ID][]stock.Flag, error) {
	out := map[lot.ID][]stock.Flag{}
	for _, id := range lots {
		if flags := t.flagsOn(id); len(flags) > 0 {
			out[id] = flags
		}
	}
	return out, nil
}

// Timeline gives the legs of spots from a time on, added up by key.
func (t *tx) Timeline(_ context.Context, since []stock.Since) ([]stock.Entry, error) {
	from := map[stock.Spot]time.Time{}
	for _, s := range since {
		from[s.Spot] = s.At
	}
	at := map[stock.Spot]map[stock.Key]int{}
	var out []stock.Entry
	for _, l := range t.s.legs.Rows() {
		start, asked := from[l.Spot]
		if !asked || l.Spot.Lot == "" || l.Key.At.Before(start) {
			continue
		}
		if at[l.Spot] == nil {
			at[l.Spot] = map[stock.Key]int{}
		}
		i, known := at[l.Spot][l.Key]
		if !known {
			i = len(out)
			at[l.Spot][l.Key] = i
			out = append(out, stock.Entry{Spot: l.Spot, Key: l.Key})
		}
		out[i].Quantity += l.Quantity
	}
	return out, nil
}

// FactLegs gives the legs of facts, added up by spot or account and key, in key order.
func (t *tx) FactLegs(_ context.Context, facts []string) ([]stock.Leg, error) {
	at := map[stock.Leg]int{}
	var out []stock.Leg
	for _, l := range t.s.legs.Rows() {
		if !slices.Contains(facts, l.Fact) {
			continue
		}
		q := l.Quantity
		l.Movement, l.Quantity = "", 0
		i, known := at[l]
		if !known {
			i = len(out)
			at[l] = i
			out = append(out, l)
		}
		out[i].Quantity += q
	}
	slices.SortFunc(out, func(a, b stock.Leg) int {
		return cmp.Or(a.Key.Compare(b.Key), a.Spot.Compare(b.Spot), cmp.Compare(a.Account, b.Account), cmp.Compare(a.Container, b.Container))
	})
	return out, nil
}

// RunTotals is a run as the ledger has it.
func (t *tx) RunTotals(ctx context.Context, id lot.RunID) (*stock.RunState, error) {
	k, err := t.Lock(ctx, stock.Want{Runs: []lot.RunID{id}})
	if err != nil {
		return nil, err
	}
	return k.Runs[id], nil
}
