package production_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/dbtest"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// copied stops the service, copies its database as it is now, and starts it again.
func (p *plant) copied() (dsn string) {
	p.t.Helper()
	p.stop()
	p.db.Close()
	cfg, err := pgx.ParseConfig(p.db.DSN())
	require.NoError(p.t, err)
	name, owner, role := cfg.Database+"_earlier", postgres.OwnerRole(string(lot.Production)), postgres.RunRole(string(lot.Production))
	admin, err := postgres.WithRole(p.db.DSN(), pgserver.Superuser, "postgres")
	require.NoError(p.t, err)
	dbtest.Exec(p.t, admin, "create database "+name+" template "+cfg.Database+" owner "+owner)
	p.t.Cleanup(func() { dbtest.Exec(p.t, admin, "drop database "+name+" with (force)") })
	dbtest.Exec(p.t, admin, "grant connect on database "+name+" to "+role)
	dsn, err = postgres.WithRole(p.db.DSN(), role, name)
	require.NoError(p.t, err)
	p.db = dbtest.Open(p.t, p.db.DSN())
	p.start()
	return dsn
}

// back starts the service on an earlier copy of its database. The others hold what it had said by now.
func (p *plant) back(dsn string) {
	p.t.Helper()
	kept, err := outbox.Read(p.t.Context(), p.db.Pool(), 1, 0, 0)
	require.NoError(p.t, err)
	p.stop()
	p.db = dbtest.Open(p.t, dsn)
	db := p.db
	for _, l := range []*log{p.intake.log, p.inventory.log} {
		l.mu.Lock()
		l.kept = kept
		l.applied = func() *eventv1.Receipt {
			head, err := outbox.ReadHead(context.Background(), db.Pool())
			if err == nil && head.GetAt().GetEpoch() > 1 {
				return head.GetAt()
			}
			return &eventv1.Receipt{Producer: string(lot.Production), Epoch: 1, Position: int64(len(kept))}
		}
		l.mu.Unlock()
	}
	p.start()
}

// state is what the plant's runs and costs look like from outside, whatever the positions of the answers.
func (p *plant) state(lots ...string) (all []proto.Message) {
	p.t.Helper()
	_, err := p.client.GetBalance(p.t.Context(), &productionv1.GetBalanceRequest{}) // asks the others for what is new
	require.NoError(p.t, err)
	list, err := p.client.ListRuns(p.t.Context(), &productionv1.ListRunsRequest{})
	require.NoError(p.t, err)
	all = append(all, list)
	for _, r := range list.GetRuns() {
		account, err := p.client.GetRunCost(p.t.Context(), &productionv1.GetRunCostRequest{Run: r.GetOpened().GetRun()})
		require.NoError(p.t, err)
		require.Empty(p.t, account.GetMissing())
		account.AsOf = nil
		all = append(all, account)
	}
	for _, id := range lots {
		answer, err := p.client.GetLotCost(p.t.Context(), &productionv1.GetLotCostRequest{Lot: id})
		require.NoError(p.t, err)
		answer.AsOf = nil
		all = append(all, answer)
	}
	return all
}

// settled waits until all that follows from others' events so far is said.
func (p *plant) settled() {
	p.t.Helper()
	_, err := p.client.GetBalance(p.t.Context(), &productionv1.GetBalanceRequest{}) // asks the others for what is new
	require.NoError(p.t, err)
	require.Eventually(p.t, func() bool {
		owed := 0
		require.NoError(p.t, p.db.Pool().QueryRow(p.t.Context(), `select count(*) from owed_events`).Scan(&owed))
		return owed == 0
	}, 20*time.Second, 20*time.Millisecond, "nothing is owed in the end")
}

// past is the ids of all that production has said, in order.
func (p *plant) past() (ids []string) {
	p.t.Helper()
	for epoch := int64(1); epoch <= 2; epoch++ {
		envs, err := outbox.Read(p.t.Context(), p.db.Pool(), epoch, 0, 0)
		require.NoError(p.t, err)
		for _, env := range envs {
			e, err := lotwire.Unmarshal(env)
			require.NoError(p.t, err)
			ids = append(ids, e.EventID)
		}
	}
	return ids
}

// run is a run as it stands.
func (p *plant) run(id string) *productionv1.RunState {
	p.t.Helper()
	answer, err := p.client.GetRun(p.t.Context(), &productionv1.GetRunRequest{Run: id})
	require.NoError(p.t, err)
	return answer.GetRun()
}

func (p *plant) dump(run, id string, pounds int64) error {
	_, err := p.client.DumpInput(p.t.Context(), dump(run, id, pounds))
	return err
}

func (p *plant) fill(run, id string, pounds int64) error {
	_, err := p.client.FillOutput(p.t.Context(), fill(run, id, pounds))
	return err
}

// sent are commands with their first answers.
type sent struct {
	p    *plant
	do   []func() (proto.Message, error)
	want []proto.Message
}

// caller is a method of the client, of whatever client the plant has by then.
type caller[Q, A proto.Message] func(productionv1.ProductionServiceClient, context.Context, Q, ...grpc.CallOption) (A, error)

// send does a command once, and keeps it with its answer.
func send[Q, A proto.Message](s *sent, call caller[Q, A], req Q) A {
	s.p.t.Helper()
	do := func() (A, error) { return call(s.p.client, s.p.t.Context(), req) }
	answer, err := do()
	require.NoError(s.p.t, err, "%T", req)
	s.want = append(s.want, answer)
	s.do = append(s.do, func() (proto.Message, error) { return do() })
	return answer
}

// again sends all once more; each was done and gets the answer that it had, but for the position.
func (s *sent) again() {
	s.p.t.Helper()
	for i, do := range s.do {
		got, err := do()
		require.NoError(s.p.t, err, "%T", s.want[i])
		if diff := cmp.Diff(s.want[i], got, protocmp.Transform(), protocmp.IgnoreFields(got, "receipt")); diff != "" {
			s.p.t.Errorf("%T again (-first +now):\n%s", got, diff)
		}
	}
}

// season is what is told between the copy and the restore: a run whose code is given here at a new stage, an open run that ends, another that
// gets its owner, a correction of ours with charges, one of intake's, and a charge for two runs.
func (s *sent) season() (roasted string) {
	p := s.p
	stage := &productionv1.RegisterStageRequest{CommandId: uuid.NewString(), Stage: &productionv1.Stage{Stage: "roast", Name: "roast"}}
	_, err := p.client.RegisterStage(p.t.Context(), stage)
	require.NoError(p.t, err)
	roast := shelling("")
	roast.Run.Stage, roast.Run.Inputs[0] = "roast", &productionv1.InputLine{Lot: "K-1", Quantity: lb(100), DumpedFrom: at(8, 5), Container: "TOTE-1"}
	roast.Run.Outputs = []*productionv1.OutputLine{{Lot: "K-5", Item: "halves", Quantity: lb(95), Role: main, Container: "TOTE-5"}}
	roasted = send(s, productionv1.ProductionServiceClient.RecordRun, roast).GetRun()
	for _, err := range []error{p.dump("R-2", "D-1", 30), p.fill("R-2", "K-3", 20)} {
		require.NoError(p.t, err)
	}
	send(s, productionv1.ProductionServiceClient.CompleteRun, &productionv1.CompleteRunRequest{CommandId: uuid.NewString(), Run: "R-2", End: at(10, 0)})
	send(s, productionv1.ProductionServiceClient.OpenRun, &productionv1.OpenRunRequest{CommandId: uuid.NewString(), Run: "R-3", Stage: "shell", Start: at(8, 0)})
	require.NoError(p.t, p.dump("R-3", "D-2", 300))
	right := correction(shelling("R-1").Run)
	right.Run.Inputs[0].Quantity, right.Run.Charges = lb(850), []*eventv1.ChargePosted{{Kind: labour, AmountMicros: usd(33)}}
	send(s, productionv1.ProductionServiceClient.CorrectRun, right)
	send(s, productionv1.ProductionServiceClient.PostCharge, &productionv1.PostChargeRequest{CommandId: uuid.NewString(), Effective: at(11, 0), Charge: &eventv1.ChargePosted{
		Charge: "E-1", Runs: []string{"R-1", "R-2"}, Kind: other, AmountMicros: usd(10),
	}})
	set := p.posted(p.run("R-1"))
	set.Version, set.Inputs[0].Quantity = 3, lot.Quantity(lb(790))
	body := lot.Corrected{Correction: uuid.NewString(), Reason: "tare", Runs: []lot.RunPosted{set}}
	p.inventory.say(p.t, lot.Event{Lots: []lot.ID{"D-1"}, Effective: noon, Body: body})
	return roasted
}

// The database goes back to an earlier moment; the others hold what followed. Breaks it catches: an own event whose effect is left out, lines of
// runs that are not kept because the run is not known when they are told, an event said anew that is taken back as well, a line number or a
// code given twice.
func TestRestored(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	p.open("R-2")
	require.NoError(t, p.dump("R-2", "D-1", 50))
	earlier := p.copied()
	lost := &sent{p: p}
	roasted := lost.season()
	p.settled()
	lots := []string{"K-1", "K-2", "K-3", "K-5", "S-1"}
	before := p.state(lots...)
	said, asked := p.past(), len(p.inventory.asked)

	p.back(earlier)
	lost.again()
	require.Len(t, p.inventory.asked, asked, "nothing was asked for again")
	if diff := cmp.Diff(before, p.state(lots...), protocmp.Transform()); diff != "" {
		t.Errorf("state (-before +after):\n%s", diff)
	}
	p.settled()
	require.Equal(t, said, p.past(), "the old ids in the old order, and none besides")
	stages, err := p.client.ListStages(t.Context(), &productionv1.ListStagesRequest{})
	require.NoError(t, err)
	require.Len(t, stages.GetStages(), 11, "a stage that a run was at is there again")

	// What is new takes neither a code nor a line number that was used.
	require.NoError(t, p.dump("R-3", "D-2", 10))
	require.Equal(t, int64(2), p.inventory.asked[asked].GetRun().GetInputs()[0].GetLine())
	next := shelling("")
	next.Run.Inputs[0] = &productionv1.InputLine{Lot: "K-5", Quantity: lb(10), DumpedFrom: at(8, 5)}
	next.Run.Outputs = []*productionv1.OutputLine{{Lot: "K-6", Item: "halves", Quantity: lb(9), Role: main}}
	got, err := p.client.RecordRun(t.Context(), next)
	require.NoError(t, err)
	require.NotEqual(t, roasted, got.GetRun())
}

// A correction set that is first heard while the run itself is still being taken back counts all the same. Break it catches: a run that stands at
// a version which the inventory has left.
func TestSetHeardWhileRunIsTakenBack(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	earlier := p.copied()
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	set := p.posted(p.run("R-1"))
	p.stop()
	set.Version, set.Inputs[0].Quantity = 2, lot.Quantity(lb(790))
	body := lot.Corrected{Correction: uuid.NewString(), Reason: "tare", Runs: []lot.RunPosted{set}}
	p.inventory.say(t, lot.Event{Lots: []lot.ID{"D-1"}, Effective: noon, Body: body})
	p.back(earlier)
	p.open("R-2") // waits until the past is complete
	p.state("K-1")
	completed := p.run("R-1").GetCompleted()
	require.Equal(t, []int64{2, lb(790), lb(10)}, []int64{completed.GetVersion(), completed.GetInputMicropounds(), completed.GetUnaccountedMicropounds()})
	got, err := p.client.CorrectRun(t.Context(), correction(shelling("R-1").Run))
	require.NoError(t, err)
	require.Equal(t, int64(3), got.GetVersion())
}

// The inventory goes back to an earlier moment. Break it catches: production that does not ask again for what was answered in the lost part.
func TestInventoryRestored(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	p.open("R-2")
	require.NoError(t, p.dump("R-2", "D-1", 50))
	before := p.state("K-1", "S-1")
	p.inventory.posting.Lock()
	first, lost := p.inventory.asked[0].GetCommandId(), p.inventory.asked[1]
	p.inventory.quiet = true // what it is asked again is not said again
	clear(p.inventory.done)
	p.inventory.posting.Unlock()
	p.inventory.back(t, 1)
	require.Eventually(t, func() bool {
		p.inventory.posting.Lock()
		defer p.inventory.posting.Unlock()
		return len(p.inventory.asked) == 3
	}, 20*time.Second, 20*time.Millisecond, "the dump is asked for again")
	require.NotEqual(t, first, lost.GetCommandId())
	same(t, "movement", p.inventory.asked[2], lost)
	if diff := cmp.Diff(before, p.state("K-1", "S-1"), protocmp.Transform()); diff != "" {
		t.Errorf("state (-before +after):\n%s", diff)
	}
}
