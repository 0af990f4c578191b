package cost

import (
	"cmp"
	"slices"

	"huskline/internal/lot"
	"huskline/internal/money"
)

// Account is where dollars are now.
type Account int

// The accounts: on a lot on hand; in an open run; gone with shipments, less what came back; written off with pounds; abnormal loss; cost of
// service on pounds whose title passed.
const (
	OnHand Account = iota + 1
	InProcess
	ShippedOut
	WrittenOff
	AbnormalLoss
	LeftService
)

// Balance is what stands on one account for one lot or one run.
type Balance struct {
	Lot       lot.ID    // empty: it is a run's
	Run       lot.RunID // empty: it is a lot's
	Account   Account
	Quantity  lot.Quantity
	Measure   lot.Measure
	Cost      Cost
	Unsettled Unsettled
}

// Where lists every balance that has pounds or dollars, lots before runs, each by code and account. Their sum is all that came in.
func (b *Book) Where() []Balance {
	b.Settle()
	var out []Balance
	for id, n := range b.lots {
		l := leavesOf(n, n.flows)
		add := func(a Account, q lot.Quantity, carried load) {
			if q != 0 || !carried.isZero() {
				out = append(out, Balance{
					Lot: id, Account: a, Quantity: q, Measure: n.lot.measure(), Cost: carried.cost(), Unsettled: carried.unsettled(),
				})
			}
		}
		add(OnHand, n.lot.onHand, n.lot.held)
		add(ShippedOut, l.shippedOut-l.cameBack, l.shipped)
		add(WrittenOff, l.offQuantity, l.writtenOff)
		add(AbnormalLoss, 0, n.lot.abnormal)
		add(LeftService, l.titleOut, l.left)
	}
	for id, n := range b.runs {
		sh := &n.run.sheet
		add := func(a Account, q lot.Quantity, carried load) {
			if q != 0 || !carried.isZero() {
				out = append(out, Balance{
					Run: id, Account: a, Quantity: q, Measure: lot.ByWeight, Cost: carried.cost(), Unsettled: carried.unsettled(),
				})
			}
		}
		if !n.run.final {
			add(InProcess, lot.Quantity(sh.input-sh.output), sh.process)
		}
		add(AbnormalLoss, 0, sh.abnormal)
	}
	slices.SortFunc(out, func(x, y Balance) int { return x.key().compare(y.key()) })
	return out
}

// balanceKey is what a balance is of, in the order they are listed.
type balanceKey struct {
	run     lot.RunID
	lot     lot.ID
	account Account
}

func (b Balance) key() balanceKey { return balanceKey{run: b.Run, lot: b.Lot, account: b.Account} }

func (k balanceKey) compare(l balanceKey) int {
	return cmp.Or(cmp.Compare(k.run, l.run), cmp.Compare(k.lot, l.lot), cmp.Compare(k.account, l.account))
}

// Change is what one balance moved by, exactly and in printed cents.
type Change struct {
	Lot     lot.ID
	Run     lot.RunID
	Account Account
	Exact   money.Amount
	Cents   money.Amount // a whole number of cents; all of them together are the total change, rounded half up
}

// LateChange is what the final prices moved, balance by balance: where the pounds are now, there the difference went.
func LateChange(balances []Balance) []Change {
	changes := make([]Change, 0, len(balances))
	for _, bal := range balances {
		changes = append(changes, Change{
			Lot: bal.Lot, Run: bal.Run, Account: bal.Account, Exact: bal.Cost.Final.Total() - bal.Cost.Paid.Total(),
		})
	}
	return inCents(changes)
}

// Difference is what moved between two states of the book, with the final prices known to each: what is to be posted now less what stands posted.
func Difference(before, now []Balance) []Change {
	moved := map[balanceKey]money.Amount{}
	for _, bal := range now {
		moved[bal.key()] += bal.Cost.Final.Total()
	}
	for _, bal := range before {
		moved[bal.key()] -= bal.Cost.Final.Total()
	}
	changes := make([]Change, 0, len(moved))
	for k, exact := range moved {
		changes = append(changes, Change{Lot: k.lot, Run: k.run, Account: k.account, Exact: exact})
	}
	return inCents(changes)
}

// inCents drops what did not move, sorts, and apportions the total once in whole cents by largest remainder. Parts of one sign are split by their
// absolute values; where signs are mixed every part is floored toward minus infinity first. Ties go to the smaller key: lots before runs,
// by code as bytes, then the account.
func inCents(changes []Change) []Change {
	changes = slices.DeleteFunc(changes, func(c Change) bool { return c.Exact == 0 })
	key := func(c Change) balanceKey { return balanceKey{run: c.Run, lot: c.Lot, account: c.Account} }
	slices.SortFunc(changes, func(x, y Change) int { return key(x).compare(key(y)) })
	amounts := make([]money.Amount, len(changes))
	for i, c := range changes {
		amounts[i] = c.Exact
	}
	for i, cents := range Cents(amounts) {
		changes[i].Cents = cents
	}
	return changes
}

// Cents apportions the printed total of amounts, which is their sum rounded half up to the cent, over them in whole cents: each is floored and
// the cents left over go one each to the largest fractions, ties to the earlier. Amounts that are all at or below zero are split by their absolute
// values; of mixed signs, floored toward minus infinity.
func Cents(amounts []money.Amount) []money.Amount {
	var sum money.Amount
	sign := money.Amount(-1)
	for _, a := range amounts {
		sum += a
		if a > 0 {
			sign = 1
		}
	}
	out := make([]money.Amount, len(amounts))
	fractions := make([]money.Amount, len(amounts))
	order := make([]int, len(amounts))
	left := sign * money.ToCent(sum)
	for i, a := range amounts {
		fractions[i] = (sign*a%money.Cent + money.Cent) % money.Cent
		out[i] = sign*a - fractions[i]
		left -= out[i]
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(fractions[j], fractions[i]) })
	for k := 0; left > 0 && k < len(order); k++ {
		out[order[k]] += money.Cent
		left -= money.Cent
	}
	for i := range out {
		out[i] *= sign
	}
	return out
}
