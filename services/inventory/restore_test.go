package inventory_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/command"
	"huskline/internal/dbtest"
	"huskline/internal/lot"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// copyOf stops the service and copies its database as it is now, the moment to which it will go back; the service goes on.
func (p *plant) copyOf() (dsn string) {
	t := p.t
	t.Helper()
	p.stop()
	admin, from := dbtest.Admin(t, p.db), p.db.DSN()
	p.db.Close()
	cfg, err := pgx.ParseConfig(from)
	require.NoError(t, err)
	name := cfg.Database + "_earlier"
	dbtest.Exec(t, admin, `select pg_terminate_backend(pid) from pg_stat_activity where datname = '`+cfg.Database+`' and pid <> pg_backend_pid()`)
	other, err := postgres.WithRole(admin, "postgres", "postgres")
	require.NoError(t, err)
	dbtest.Exec(t, other, "create database "+name+" template "+cfg.Database+" owner "+postgres.OwnerRole("inventory"))
	dbtest.Exec(t, other, "grant connect on database "+name+" to "+postgres.RunRole("inventory"))
	t.Cleanup(func() { dbtest.Exec(t, other, "drop database "+name+" with (force)") })
	dsn, err = postgres.WithRole(from, postgres.RunRole("inventory"), name)
	require.NoError(t, err)
	p.start(dbtest.Open(t, from))
	return dsn
}

// goBack lets the others keep all that inventory has said, and starts it on the earlier database.
func (p *plant) goBack(dsn string) {
	t := p.t
	t.Helper()
	var all []*eventv1.Envelope
	require.NoError(t, p.db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) (err error) {
		all, err = outbox.Read(ctx, tx, 1, 0, 0)
		return err
	}))
	p.stop()
	for _, other := range []*producer{p.intake, p.production} {
		other.mu.Lock()
		other.kept = all
		other.mu.Unlock()
	}
	p.start(dbtest.Open(t, dsn))
}

// ledger is what stands in the tables that everything else is derived from, without when a row was written.
func (p *plant) ledger() map[string][]string {
	p.t.Helper()
	out := map[string][]string{}
	for what, sql := range map[string]string{
		"balances":   `select format('%s|%s|%s|%s', lot, place, owner, quantity) from balances where quantity > 0 order by 1`,
		"lots":       `select format('%s|%s|%s|%s|%s|%s|%s|%s', lot, item, owner, maker, made, born, voided, frozen) from lots order by 1`,
		"legs":       `select format('%s|%s|%s|%s|%s', fact, lot, place, account, sum(quantity)) from legs group by fact, lot, place, account order by 1`,
		"containers": `select format('%s|%s|%s|%s|%s', lot, container, place, quantity, filled_to) from containers order by 1`,
		"edges":      `select format('%s|%s|%s', parent, child, fact) from edges order by 1`,
		"flags":      `select format('%s|%s|%s|%s', hold, lot, excluded, inherited) from hold_flags order by 1`,
		"holds":      `select format('%s|%s|%s|%s|%s|%s', hold, class, placed_by, ended_at is null, containers, since) from holds order by 1`,
		"spent":      `select format('%s|%s|%s', disposition, quantity, spent) from dispositions order by 1`,
		"shipments":  `select format('%s|%s|%s|%s', shipment, lot, quantity, returned) from shipment_lines order by 1`,
		"run lines":  `select format('%s|%s|%s|%s|%s', run, version, lot, output, quantity) from run_lines order by 1`,
		"own codes":  `select format('%s|%s', year, number) from own_codes order by 1`,
		"quarantine": `select format('%s|%s', reason, detail) from quarantine where release is null`,
	} {
		rows, err := p.db.Pool().Query(p.t.Context(), sql)
		require.NoError(p.t, err, what)
		out[what], err = pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(p.t, err, what)
	}
	return out
}

// After the database went back to an earlier moment, with the others holding what was lost, the ledger is what it was: every lost event had
// its effect again. The deliberate break it catches: an event without an effect, or one whose effect is refused (a hold, a frozen bin, a code
// that is claimed).
func TestRestored(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	p.receiveFor("C-1", 40, day(2, 8), "CLIENT")
	p.mustPost(run{id: "R-0", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-0": 6}, at: day(3, 8)})
	sheet := p.counted(map[string][]int64{"D-1": {90}, "D-2": {99, 99}, "C-1": {40}, "K-0": {6}})
	earlier := p.copyOf()

	claims := []*inventoryv1.Claim{{Lot: "D-9", Claimant: uuid.NewString()}, {Lot: "K-1", Claimant: uuid.NewString()}}
	claim := func() error {
		_, err := p.as("importer").ClaimLots(t.Context(), &inventoryv1.ClaimLotsRequest{CommandId: uuid.NewString(), Claims: claims})
		return err
	}
	require.NoError(t, claim())
	p.receive("D-9", 1, day(2, 8))
	lost := run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 40}, at: day(3, 8)}.request()
	lost.Claims = claims[1:]
	done, err := p.peer.PostMovement(t.Context(), lost)
	require.NoError(t, err)
	p.lose()
	closeCount := &inventoryv1.CloseCountRequest{CommandId: uuid.NewString(), Sheet: sheet}
	_, err = p.as("clerk").CloseCount(t.Context(), closeCount)
	require.NoError(t, err)
	want := p.ledger()
	p.goBack(earlier)

	again, err := p.peer.PostMovement(t.Context(), lost)
	require.NoError(t, err, "it was done, and is not done again")
	require.Equal(t, done.GetOutputMicropounds(), again.GetOutputMicropounds())
	require.EqualValues(t, 2, again.GetReceipt().GetEpoch())
	require.NoError(t, claim(), "what was claimed for these lots is lost, and claimed again")
	_, err = p.as("clerk").CloseCount(t.Context(), closeCount)
	require.Equal(t, command.ReasonTakenBack, reason(err), "it was done; no event tells what was counted")
	closeCount.CommandId = uuid.NewString()
	closed, err := p.as("clerk").CloseCount(t.Context(), closeCount)
	require.NoError(t, err, "the sheet is open again, what it posted stands")
	require.Len(t, closed.GetDifferences(), 1)
	p.buy()
	p.rest("H-1")
	p.rest("H-3")
	require.Equal(t, want, p.ledger())
	p.quiet()
	_, err = p.ship("K-2", 1, day(9, 8))
	require.Equal(t, "lot_held", reason(err))
	next, err := p.as("shipper").ReturnGoods(t.Context(), &inventoryv1.ReturnGoodsRequest{
		CommandId: uuid.NewString(), Shipment: "S-1", Line: 1, Quantity: pound, Effective: stamp(day(8, 8)),
	})
	require.NoError(t, err, "no code is given twice")
	require.NotEmpty(t, next.GetLot())
}

// counted is a count sheet of the default place on which everything is counted, each time by another person.
func (p *plant) counted(pounds map[string][]int64) (sheet string) {
	t := p.t
	opened, err := p.as("clerk").OpenCount(t.Context(), &inventoryv1.OpenCountRequest{CommandId: uuid.NewString(), Effective: stamp(day(3, 9))})
	require.NoError(t, err)
	require.Len(t, opened.GetLots(), len(pounds))
	for id, counts := range pounds {
		for i, q := range counts {
			_, err := p.as(fmt.Sprintf("counter-%d", i)).RecordCount(t.Context(), &inventoryv1.RecordCountRequest{
				CommandId: uuid.NewString(), Sheet: opened.GetSheet(), Lot: id, Counted: q * pound,
			})
			require.NoError(t, err)
		}
	}
	return opened.GetSheet()
}

// buy lets intake say that it bought pounds of a client's, which inventory does before intake says it.
func (p *plant) buy() {
	b := lot.Bought{Purchase: "B-1", Lot: "C-1", NewLot: "C-2", Owner: "CLIENT", Quantity: 30 * pound, Price: 1}
	m := &eventv1.LotBought{Purchase: "B-1", Lot: "C-1", NewLot: "C-2", Owner: "CLIENT", Quantity: 30 * pound, PriceMicros: 1}
	_, err := p.peer.PostMovement(p.t.Context(), &inventoryv1.PostMovementRequest{
		CommandId: uuid.NewString(), Try: 1, Effective: stamp(day(7, 8)), Movement: &inventoryv1.PostMovementRequest_Bought{Bought: m},
		Claims: []*inventoryv1.Claim{{Lot: "C-2", Claimant: uuid.NewSHA1(uuid.NameSpaceOID, []byte("buyer")).String()}},
	})
	require.NoError(p.t, err)
	p.intake.say(day(7, 8), b, "C-1", "C-2")
}

// lose does what will be lost: every kind of event that inventory says.
func (p *plant) lose() {
	t := p.t
	ctx, clerk, shipper, quality := t.Context(), p.as("clerk"), p.as("shipper"), p.as("quality")
	must := func(err error) {
		t.Helper()
		require.NoError(t, err)
	}
	for _, place := range []*inventoryv1.Place{{Place: "bin-1", Bin: true}, {Place: "dock"}} {
		_, err := clerk.RegisterPlace(ctx, &inventoryv1.RegisterPlaceRequest{CommandId: uuid.NewString(), Place: place})
		must(err)
	}
	_, err := clerk.RecordPour(ctx, &inventoryv1.RecordPourRequest{
		CommandId: uuid.NewString(), Pour: "P-1", BinLot: "BIN", Lot: "D-2", Quantity: 60 * pound, BinPlace: "bin-1", Effective: stamp(day(3, 8)), Claimant: uuid.NewString(),
	})
	must(err)
	out := run{id: "R-3", out: map[string]int64{"K-3": 20}, at: day(4, 8), open: true}.request()
	out.GetRun().Inputs = []*eventv1.RunInput{{Line: 1, Lot: "BIN", Quantity: 30 * pound, Place: "bin-1", At: stamp(day(4, 8))}}
	out.GetRun().Outputs[0].Container = "C1"
	_, err = p.peer.PostMovement(ctx, out)
	must(err)
	_, err = p.shipFrom("K-3", 3, day(5, 8), "C1")
	must(err)
	_, err = clerk.EmptyBin(ctx, &inventoryv1.EmptyBinRequest{CommandId: uuid.NewString(), Emptying: "E-1", BinLot: "BIN", Place: "bin-1", Effective: stamp(day(5, 8))})
	must(err)
	_, err = clerk.RegisterReason(ctx, &inventoryv1.RegisterReasonRequest{
		CommandId: uuid.NewString(), Reason: "mice", Account: &eventv1.LossAccount{Name: "mice", WritesOff: true},
	})
	must(err)
	_, err = clerk.AdjustLot(ctx, &inventoryv1.AdjustLotRequest{CommandId: uuid.NewString(), Adjustment: "A-1", Lot: "K-1", Delta: -pound, Reason: "mice", Effective: stamp(day(5, 8))})
	must(err)
	_, err = clerk.MoveLot(ctx, &inventoryv1.MoveLotRequest{
		CommandId: uuid.NewString(), Movement: "M-1", Lot: "K-1", Quantity: 30 * pound, ToPlace: "dock", Effective: stamp(day(5, 9)),
	})
	must(err)
	_, err = shipper.ShipGoods(ctx, &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Shipment: "S-1", Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP", Effective: stamp(day(6, 8)),
		Lines: []*eventv1.ShippedLine{{Lot: "K-1", Quantity: 10 * pound, Place: "dock"}},
	})
	must(err)
	_, err = shipper.ReturnGoods(ctx, &inventoryv1.ReturnGoodsRequest{
		CommandId: uuid.NewString(), ReturnId: "T-1", Shipment: "S-1", Line: 1, Quantity: 2 * pound, Effective: stamp(day(7, 8)),
	})
	must(err)
	_, err = p.hold("quality", "H-1", "D-1", safety, false)
	must(err)
	p.rest("H-1")
	_, err = quality.DecideDisposition(ctx, &inventoryv1.DecideDispositionRequest{
		CommandId: uuid.NewString(), DispositionId: "Q-1", Hold: "H-1", Lot: "D-1", Decision: eventv1.Disposition_DISPOSITION_RESORT, Quantity: 20 * pound, Reason: "x",
	})
	must(err)
	p.mustPost(run{id: "R-2", in: map[string]int64{"D-1": 15}, out: map[string]int64{"K-2": 10}, at: day(7, 8)})
	_, err = quality.ExcludeFromHold(ctx, &inventoryv1.ExcludeFromHoldRequest{CommandId: uuid.NewString(), Hold: "H-1", Lot: "K-0", Reason: "clean"})
	must(err)
	_, err = p.ship("K-0", 1, day(8, 8))
	must(err)
	p.mustPost(run{id: "R-4", in: map[string]int64{"K-0": 1}, out: map[string]int64{"K-4": 1}, at: day(8, 9)})
	_, err = quality.PlaceHold(ctx, &inventoryv1.PlaceHoldRequest{
		CommandId: uuid.NewString(), Hold: "H-3", Lot: "K-3", Class: safety, Containers: []string{"C1"}, Reason: "metal", Effective: stamp(day(8, 8)),
	})
	must(err)
	p.rest("H-3")
	_, err = p.hold("quality", "H-2", "D-2", commercial, false)
	must(err)
	_, err = quality.ReleaseHold(ctx, &inventoryv1.ReleaseHoldRequest{CommandId: uuid.NewString(), Hold: "H-2", Reason: "clean"})
	must(err)
	corrected := &eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{run{id: "R-0", in: map[string]int64{"D-1": 11}, out: map[string]int64{"K-0": 7}, at: day(3, 8), version: 2}.posted()}}
	_, err = p.correct(corrected)
	require.Equal(t, "lot_held", reason(err), "a correction draws no more of what is held")
	corrected.Runs[0].Inputs[0].Quantity = 9 * pound
	_, err = p.correct(corrected)
	must(err)
	p.buy()
	p.receive("LATE", 1, day(8, 8))
	require.EqualValues(t, 1, p.onHand("LATE"))
}
