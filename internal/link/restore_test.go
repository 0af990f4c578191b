package link_test

import (
	"context"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	eventv1 "huskline/proto/huskline/event/v1"
)

// past is a service's own events over all epochs, in order.
func (s *service) past() (all []*eventv1.Envelope, head *eventv1.Head) {
	t := s.plant.t
	err := s.running.Load().db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if head, err = outbox.ReadHead(ctx, tx); err != nil {
			return err
		}
		for epoch := int64(1); epoch <= head.GetAt().GetEpoch(); epoch++ {
			page, err := outbox.Read(ctx, tx, epoch, 0, 0)
			if err != nil {
				return err
			}
			all = append(all, page...)
		}
		return nil
	})
	require.NoError(t, err)
	return all, head
}

// ids are the ids of events.
func (p *plant) ids(all []*eventv1.Envelope) (ids []string) {
	for _, env := range all {
		e, err := lotwire.Unmarshal(env)
		require.NoError(p.t, err)
		ids = append(ids, e.EventID)
	}
	return ids
}

// chained checks that each event's hash covers the one before, over the ends of epochs, and that recorded times never fall.
func (p *plant) chained(all []*eventv1.Envelope) {
	p.t.Helper()
	previous, recorded := make([]byte, 32), int64(0)
	for _, env := range all {
		require.NoError(p.t, lotwire.Verify(env))
		require.Equal(p.t, previous, env.GetPreviousHash(), "epoch %d, position %d", env.GetEpoch(), env.GetPosition())
		require.GreaterOrEqual(p.t, env.GetRecordedMicros(), recorded)
		previous, recorded = env.GetHash(), env.GetRecordedMicros()
	}
}

// agree waits until each service has the effect of every adjustment, once and in the order in which they were made, whoever made them: each
// builds on the one before.
func (p *plant) agree(said []string) {
	p.t.Helper()
	for _, self := range producers {
		p.eventually(string(self)+" has what was said", func() bool { return len(p.services[self].effects()) >= len(said) })
		if diff := cmp.Diff(said, p.services[self].effects()); diff != "" {
			p.t.Errorf("effects at %s (-want +got):\n%s", self, diff)
		}
	}
}

// before is said and taken before the moment of the copy, after is lost with it; the events of the others in between are lost too, and build on
// the lost ones.
var (
	before = []lot.Producer{lot.Inventory, lot.Intake, lot.Inventory, lot.Production}
	after  = []lot.Producer{lot.Inventory, lot.Production, lot.Inventory, lot.Intake, lot.Inventory, lot.Production}
)

// TestRestored catches a service that goes on in its old epoch, one that takes its lost events back before those that they build on, and one
// that applies the others' events before the lost ones that these build on.
func TestRestored(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	said := p.mustSay(before...)
	s := p.services[lot.Inventory]
	s.stop()
	earlier := s.copyOf()
	s.start()
	said = append(said, p.mustSay(after...)...)
	old, _ := s.past()

	s.goBack(earlier)
	// A command of the lost part comes again: it was done. It waits for the gate.
	lost := order()
	lost.CommandId = said[len(before)]
	at, err := s.say(lost)
	require.NoError(t, err)
	require.Equal(t, lot.Receipt{Producer: lot.Inventory, Epoch: 2, Position: 1}, at)
	said = append(said, p.mustSay(lot.Inventory, lot.Intake)...)
	p.agree(said)
	all, head := s.past()
	require.Equal(t, int64(2), head.GetAt().GetEpoch())
	require.Equal(t, int64(4), head.GetAt().GetPosition(), "three taken back, one new")
	require.Equal(t, p.ids(old), p.ids(all)[:len(old)], "the old ids in the old order")
	p.chained(all)
	for i, env := range old {
		require.Equal(t, env.GetPayload(), all[i].GetPayload())
		require.Equal(t, env.GetRecordedMicros(), all[i].GetRecordedMicros())
	}
	for _, other := range []lot.Producer{lot.Intake, lot.Production} {
		p.eventually("told of the rise", func() bool { return p.services[other].rises.Load() == "inventory/1/2" })
		lags := p.services[other].running.Load().link.Inbox().Lags()
		for _, lag := range lags {
			require.Zero(t, lag.Quarantine, "%s holds %s", other, lag.Applied.Producer)
		}
	}
}

// TestRestoredTwice goes back a second time, to before the first.
func TestRestoredTwice(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	said := p.mustSay(before...)
	s := p.services[lot.Inventory]
	s.stop()
	earlier, earliest := s.copyOf(), s.copyOf()
	s.start()
	said = append(said, p.mustSay(after...)...)
	s.goBack(earlier)
	said = append(said, p.mustSay(after...)...)
	s.goBack(earliest)
	said = append(said, p.mustSay(lot.Inventory)...)
	p.agree(said)
	all, head := s.past()
	require.Equal(t, int64(3), head.GetAt().GetEpoch())
	require.Len(t, all, 2+3+3+1)
	p.chained(all)
}

// TestLost starts on an empty database: all comes back.
func TestLost(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	s := p.services[lot.Intake]
	empty := s.copyOf()
	p.start()
	said := p.mustSay(slices.Concat(before, after)...)
	s.goBack(empty)
	p.agree(append(said, p.mustSay(lot.Intake)...))
	_, head := s.past()
	require.Equal(t, int64(2), head.GetAt().GetEpoch())
}

// TestRestoredAlone catches a service that writes although nobody could be asked what it had lost.
func TestRestoredAlone(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	said := p.mustSay(before...)
	s := p.services[lot.Inventory]
	s.stop()
	earlier := s.copyOf()
	s.start()
	lost := []lot.Producer{lot.Inventory, lot.Production, lot.Inventory} // builds on nothing of the one that stays silent
	said = append(said, p.mustSay(lost...)...)

	for _, other := range []lot.Producer{lot.Intake, lot.Production} {
		p.services[other].down.Store(true)
	}
	s.goBack(earlier)
	p.eventually("read only", func() bool {
		_, err := s.say(order())
		return fault.ReasonOf(err) == "restored_alone"
	})
	_, head := s.past()
	require.Equal(t, int64(1), head.GetAt().GetEpoch(), "nothing was decided alone")

	// One that answers is enough, once the other was waited for.
	p.services[lot.Production].down.Store(false)
	req := order()
	p.eventually("writes", func() bool {
		_, err := s.say(req)
		return err == nil
	})
	said = append(said, req.GetCommandId())
	_, head = s.past()
	require.Equal(t, lot.Receipt{Producer: lot.Inventory, Epoch: 18, Position: 3}, lotwire.ParseReceipt(head.GetAt()), "room for what intake alone may know")
	p.services[lot.Intake].down.Store(false)
	p.agree(said)
}

// TestLateAnswer has an event come back, behind what was recorded meanwhile, from a service that alone had kept it and was silent too long.
func TestLateAnswer(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	said := p.mustSay(before...)
	s, silent, other := p.services[lot.Inventory], p.services[lot.Intake], p.services[lot.Production]
	s.stop()
	earlier := s.copyOf()
	s.start()
	other.stop()
	said = append(said, p.mustSay(lot.Inventory)...) // taken in by one alone
	p.bus.PurgeStream(t)
	silent.down.Store(true)
	s.stop()
	other.start()
	s.goBack(earlier)
	req := order()
	p.eventually("writes", func() bool {
		_, err := s.say(req)
		return err == nil
	})
	require.NotContains(t, s.effects(), said[len(before)])
	silent.down.Store(false)
	for _, self := range producers {
		p.eventually(string(self)+" has all", func() bool { return len(p.services[self].effects()) >= len(said)+1 })
		require.ElementsMatch(t, append(said, req.GetCommandId()), p.services[self].effects(), "effects at %s", self)
	}
	all, head := s.past()
	require.Equal(t, lot.Receipt{Producer: lot.Inventory, Epoch: 18, Position: 2}, lotwire.ParseReceipt(head.GetAt()))
	p.chained(all)
}

// TestNotRestored catches a service that raises its epoch at every start, or waits for ever for one that is silent.
func TestNotRestored(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	p.mustSay(before...)
	s := p.services[lot.Inventory]
	p.services[lot.Intake].down.Store(true)
	s.stop()
	s.start()
	at, err := s.say(order())
	require.NoError(t, err)
	require.Equal(t, lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 3}, at)
}

// TestRefusedEffect keeps an event whose effect cannot be made again, with the reason.
func TestRefusedEffect(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	p.mustSay(before...)
	s := p.services[lot.Inventory]
	s.stop()
	earlier := s.copyOf()
	s.start()
	lost := p.mustSay(lot.Inventory)
	s.refuse.Store(true)
	s.goBack(earlier)
	p.mustSay(lot.Inventory)
	require.NotContains(t, s.effects(), lost[0])
	var reason, detail string
	err := s.running.Load().db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select reason, detail from taken_back where from_epoch = 1 and from_position = 3`).Scan(&reason, &detail)
	})
	require.NoError(t, err)
	require.Equal(t, []string{"internal", "it cannot be made again"}, []string{reason, detail})
	all, _ := s.past()
	require.Len(t, all, 4, "the event itself is back, with one after it")
}

// TestKeptIsForItsProducer catches a desk that shows one service's events to another.
func TestKeptIsForItsProducer(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.start()
	p.mustSay(before...)
	d := p.services[lot.Production].running.Load().desk
	tests := []struct {
		name   string
		actor  access.Actor
		reason string
		want   int
	}{
		{"itself", access.Actor{Peer: lot.Inventory}, "", 1},
		{"another", access.Actor{Peer: lot.Intake}, "kept_of_another", 0},
		{"the administrator", access.Actor{Roles: []access.Role{access.Administrator}}, "", 1},
		{"an auditor", access.Actor{Roles: []access.Role{access.Auditor}}, "kept_of_another", 0},
	}
	for _, tt := range tests {
		got := 0
		err := d.ReadKept(access.WithActor(t.Context(), tt.actor), "inventory", 1, 1, func(page []*eventv1.Envelope) error {
			got += len(page)
			return nil
		})
		if fault.ReasonOf(err) != tt.reason || got != tt.want {
			t.Errorf("%s: got %d events and %v, want %d and reason %q", tt.name, got, err, tt.want, tt.reason)
		}
	}
}
