package follow

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/outbox"
)

// producers are all who say anything: a whole vector names each of them.
var producers = []lot.Producer{lot.Intake, lot.Inventory, lot.Production}

// Asked is Past for places that a caller names. They are whole, with one place of each producer, and exist: where this database does not hold
// one, reach is called, which asks the other producers for their heads, takes in what they have said, and names by lines beginning with the
// producer and a colon whom that did not succeed with. Reasons: as_of_unknown for a producer that there is not, as_of_twice, as_of_lacks and
// position_unknown, which is of kind precondition where its producer could not be asked.
func (f *Follower[I]) Asked(ctx context.Context, vector []lot.Receipt, reach func(context.Context) []string,
	fn func(index I, asOf []lot.Receipt) error,
) error {
	if err := whole(vector); err != nil {
		return err
	}
	if err := f.known(ctx, vector, reach); err != nil {
		return err
	}
	return f.Past(ctx, vector, fn)
}

// whole tells whether a vector names each producer once.
func whole(vector []lot.Receipt) error {
	named := map[lot.Producer]bool{}
	for _, r := range vector {
		switch {
		case !slices.Contains(producers, r.Producer):
			return fault.Invalid("as_of_unknown", "as_of %s: there is no producer %q", place(r), r.Producer)
		case named[r.Producer]:
			return fault.Invalid("as_of_twice", "as_of names two positions of %s; one is allowed", r.Producer)
		}
		named[r.Producer] = true
	}
	for _, p := range producers {
		if !named[p] {
			return fault.Invalid("as_of_lacks", "as_of names no position of %s; print a whole vector", p)
		}
	}
	return nil
}

// known refuses places that this database does not hold after the others were asked.
func (f *Follower[I]) known(ctx context.Context, vector []lot.Receipt, reach func(context.Context) []string) error {
	strange, _, err := f.strange(ctx, vector)
	if err != nil || strange == nil {
		return err
	}
	unreached := reach(ctx)
	strange, now, err := f.strange(ctx, vector)
	if err != nil || strange == nil {
		return err
	}
	text := fmt.Sprintf("as_of %s: the highest position of %s known here is %s", place(*strange), strange.Producer, place(now))
	for _, line := range unreached {
		if strings.HasPrefix(line, string(strange.Producer)+":") {
			return fault.Precondition("position_unknown", "%s; %s", text, line)
		}
	}
	return fault.Invalid("position_unknown", "%s", text)
}

// strange is the first place that this database does not hold, and how far it stands with that producer. Of an earlier epoch it looks the
// event up: an epoch may have ended before it.
func (f *Follower[I]) strange(ctx context.Context, vector []lot.Receipt) (strange *lot.Receipt, now lot.Receipt, err error) {
	stands, err := f.stands(ctx)
	if err != nil {
		return nil, now, err
	}
	for _, r := range vector {
		now = stands.places[r.Producer]
		held := feed.Compare(r, now) <= 0
		if held && r.Epoch < now.Epoch && r.Position > 0 {
			if held, err = f.has(ctx, r); err != nil {
				return nil, now, err
			}
		}
		if !held && r.Position+r.Epoch > 1 { // before the first event of all there is nothing to hold
			return &r, now, nil
		}
	}
	return nil, now, nil
}

// has tells whether the event at a place is kept.
func (f *Follower[I]) has(ctx context.Context, r lot.Receipt) (found bool, err error) {
	err = f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if r.Producer == f.cfg.Self {
			page, err := outbox.Read(ctx, tx, r.Epoch, r.Position-1, 1)
			found = len(page) > 0
			return err
		}
		before := lot.Receipt{Producer: r.Producer, Epoch: r.Epoch, Position: r.Position - 1}
		page, err := inbox.Range{From: before, To: r}.Read(ctx, tx, 1)
		found = len(page) > 0
		return err
	})
	return found, err
}

func place(r lot.Receipt) string { return fmt.Sprintf("%s/%d/%d", r.Producer, r.Epoch, r.Position) }
