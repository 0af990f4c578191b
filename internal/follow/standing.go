package follow

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/outbox"
)

// standing is how far a fold goes: a place per producer, and how many events had been released from quarantine.
type standing struct {
	places   map[lot.Producer]lot.Receipt
	releases int64
}

// beginning is before the first event of every producer. Vectors name those too that have said nothing, so that each is whole.
func beginning() standing {
	s := standing{places: map[lot.Producer]lot.Receipt{}}
	for _, p := range producers {
		s.places[p] = lot.Receipt{Producer: p, Epoch: 1}
	}
	return s
}

// stands reads how far the database stands.
func (f *Follower[I]) stands(ctx context.Context) (standing, error) {
	var to standing
	err := f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		head, err := outbox.ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		taken, err := inbox.ReadStandings(ctx, tx)
		if err != nil {
			return err
		}
		to = beginning()
		to.places[f.cfg.Self] = lot.Receipt{Producer: f.cfg.Self, Epoch: head.GetAt().GetEpoch(), Position: head.GetAt().GetPosition()}
		for _, r := range taken.Positions {
			to.places[r.Producer] = r
		}
		to.releases = taken.Releases
		return nil
	})
	return to, err
}

func (s standing) clone() standing {
	return standing{places: maps.Clone(s.places), releases: s.releases}
}

func (s standing) covers(to standing) bool {
	for p, r := range to.places {
		if (r.Position > 0 || r.Epoch > 1) && feed.Compare(s.places[p], r) < 0 {
			return false
		}
	}
	return s.releases >= to.releases
}

func (s standing) raise(r lot.Receipt) {
	if feed.Compare(r, s.places[r.Producer]) > 0 {
		s.places[r.Producer] = r
	}
}

// vector lists the places, own first, the others by name.
func (s standing) vector(self lot.Producer) []lot.Receipt {
	at := make([]lot.Receipt, 0, len(s.places))
	for _, p := range slices.Sorted(maps.Keys(s.places)) {
		at = append(at, s.places[p])
	}
	slices.SortStableFunc(at, func(a, b lot.Receipt) int {
		switch {
		case a.Producer == self && b.Producer != self:
			return -1
		case b.Producer == self && a.Producer != self:
			return 1
		}
		return 0
	})
	return at
}

// String lists the places as receipts are written in metadata.
func (s standing) String() string {
	var all []string
	for _, r := range s.vector("") {
		all = append(all, fmt.Sprintf("%s/%d/%d", r.Producer, r.Epoch, r.Position))
	}
	return strings.Join(all, " ")
}
