package checker_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"huskline/internal/checker"
	"huskline/internal/pgserver"
	"huskline/internal/planttest"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// breaking is a plant broken on purpose. Who writes as the owner gives rows seals that fit, as a fault of our own code would; who writes as the
// superuser does not.
type breaking struct {
	name    string
	finds   string // the invariant that names row
	row     string
	service string
	as      string // owner or superuser
	sql     string
	also    []string // other invariants that the same change breaks; none else may, but for mayToo
	change  func(p *checker.Plant)
}

const (
	fold  = "state is the fold of the log"
	chain = "chain verifies"
)

func breakings() []breaking {
	const owner, superuser = "owner", "superuser"
	return []breaking{
		{"a leg of the gate is a micropound off", "legs sum to zero", "legs(movement=delivery/D-00)", "inventory", owner,
			`update legs set quantity = quantity - 1 where account = 'gate' and fact = 'delivery/D-00'`, nil, nil},
		{"a shipment before its lot was there", "nothing below zero", "balances(lot=N-06 ", "inventory", owner,
			`update legs set effective = effective - interval '30 days' where lot = 'N-06' and fact like 'shipment/%'`, []string{fold}, nil},
		{"pounds left in a closed run", "closed runs balance", "runs(run=R-02)", "inventory", owner,
			`update legs set account = 'shell' where account = 'run/R-02' and quantity < 0`, nil, nil},
		{"production tells another input than inventory posted", "closed runs balance", "runs(run=R-03)", "production", owner,
			`update runs set input = input + 1 where run = 'R-03'`, []string{fold}, nil},
		{"a client's shells become the company's", "owners keep their nuts", "legs(fact=run/R-09)", "inventory", owner,
			`update legs set owner = '' where lot = 'Y-09'; update balances set owner = '' where lot = 'Y-09'`, []string{fold}, nil},
		{"title passed without a purchase", "owners keep their nuts", "legs(fact=purchase/BU-01)", "intake", owner,
			`delete from purchases where purchase = 'BU-01'`, nil, nil},
		{"a finished batch from nowhere", "batches reach receipts", "lots(lot=F-06)", "inventory", owner,
			`delete from edges where child = 'F-06'`, nil, nil},
		{"a lot made from itself", "no lot made from itself", "edges(parent=F-07)", "inventory", owner,
			`insert into edges (parent, child, fact) values ('F-07', 'S-00', 'x')`, nil, nil},
		{"another answer than was given", "answers are kept", "commands(command_id=" + id("sugar") + ")", "intake", owner,
			`update commands set answer = '' where command_id = '` + id("sugar") + `'`, nil, nil},
		{"an answered command is gone", "answers are kept", "commands(command_id=" + id("scale") + ")", "intake", owner,
			`delete from commands where command_id = '` + id("scale") + `'`, nil, nil},
		{"a movement accepted twice", "one effect per key", "movement_tries(command_id=", "inventory", owner,
			`insert into movement_tries (command_id, try, accepted, kind, reason, detail, recorded)
				select command_id, try + 1, true, 0, '', '', recorded from movement_tries where accepted limit 1`, nil, nil},
		{"two answers to one command", "one effect per key", "commands(command_id=" + id("scale") + ")", "intake", owner, `select 1`, nil,
			func(p *checker.Plant) {
				for _, a := range p.Journal {
					if a.CommandID == id("scale") {
						a.Digest, a.Answer = nil, nil
						p.Journal = append(slices.Clip(p.Journal), a)
						return
					}
				}
			}},
		{"an event without its command", "change and event together", "events(epoch=1 position=", "inventory", owner,
			`delete from commands where command_id = (select command_id from commands where method like '%PostMovementRequest' order by position limit 1)`, nil, nil},
		{"an event is missing", "change and event together", "events(epoch=1 position=11)", "production", owner,
			`delete from events where position = 11`, []string{fold, chain}, nil},
		{"a consumer that stands still", "events arrive", "cursors", "production", owner,
			`with last as (delete from inbox_events where producer = 'intake' and position = (select max(position) from inbox_events where producer = 'intake') returning previous_hash)
				update cursors set position = position - 1, hash = (select previous_hash from last) where producer = 'intake'`, nil,
			func(p *checker.Plant) { p.Stopped, p.Wait = false, 200*time.Millisecond }},
		{"a skipped position", "positions in order", "inbox_events(producer=intake epoch=1 position=22)", "production", owner,
			`delete from inbox_events where producer = 'intake' and position = 21`, []string{"events arrive", chain, "cursor accounts for all"}, nil},
		{"a balance that is not its legs", fold, "balances(lot=D-22 ", "inventory", owner,
			`update balances set quantity = quantity + 1 where lot = 'D-22'`, nil, nil},
		{"a weighing changed behind the service", fold, "received_weighings(lot=D-03 version=1 number=2)", "intake", superuser,
			`update received_weighings set digits = '101' where lot = 'D-03' and number = 2`, nil, nil},
		{"a reading changed behind the service", fold, "readings(scale_id=1 sequence=9)", "intake", superuser,
			`update readings set micropounds = micropounds + 20000000 where sequence = 9`, nil, nil},
		{"a child of held nuts goes free", "hold wins", "hold_flags(lot=D-21 hold=HD-0)", "inventory", owner,
			`insert into edges (parent, child, fact) values ('D-00', 'D-21', 'x')`, nil, nil},
		{"the run-time role may change legs", "insert-only is insert-only", "legs", "inventory", owner,
			`grant update on legs to ` + postgres.RunRole("inventory"), nil, nil},
		{"a head that was never published", chain, "witnesses(producer=intake", "inventory", owner,
			`update witnesses set hash = sha256('x') where producer = 'intake' and position = (select max(position) from witnesses where producer = 'intake')`, nil, nil},
		{"an event changed behind the service", chain, "events(epoch=1 position=5)", "intake", superuser,
			`update events set hash = sha256('x') where position = 5`, nil, nil},
		{"one person ends the recall", "separate hands", "holds(hold=HD-0)", "inventory", owner,
			`alter table holds drop constraint holds_recall_needs_another; update holds set ended_at = recorded, ended_by = placed_by where hold = 'HD-0'`,
			[]string{fold}, nil},
		{"a paid line changed", "separate hands", "settlements(settlement=SE-01 version=1)", "intake", owner,
			`update settlements set purchase = purchase + 10000 where settlement = 'SE-01' and version = 1`, nil, nil},
		{"recorded before its predecessor", "no clock decides", "events(epoch=1 position=40)", "intake", superuser,
			`update events set recorded_micros = recorded_micros - 3600000000 where position = 40`, []string{chain}, nil},
		{"work under way that nobody asked for", "within limits", "open_intents(command_id=", "production", owner,
			`insert into open_intents (command_id, try, opened_micros) values (gen_random_uuid(), 1, 0)`, nil, nil},
		{"a cursor ahead of what was settled", "cursor accounts for all", "cursors(producer=intake epoch=1)", "production", owner,
			`update cursors set position = position + 1 where producer = 'intake'`, []string{chain}, nil},
	}
}

// sealedAnew gives every row the seal that it would have if the service had written it so, in the tables whose seals no trigger sets.
const sealedAnew = `do $$ declare t regclass; begin
	for t in select attrelid from pg_attribute where attname = 'seal' and not exists (select from pg_trigger where tgrelid = attrelid and tgname = 'seal') loop
		execute format('update %s set seal = null', t);
		execute format('update %s as r set seal = sha256(convert_to(r::text, ''UTF8''))', t);
	end loop; end $$`

// broken tries each break on a copy of the service's database, and wants the invariant to name the row, and no other one but those that
// the same change must break.
func broken(t *testing.T, s *stopped) {
	sound := s.copied(t)
	for _, b := range breakings() {
		t.Run(b.name, func(t *testing.T) {
			p := s.copyOf(t, sound, b.service)
			dsn := p.Databases[b.service]
			if b.as == "owner" {
				dsn = strings.Replace(dsn, pgserver.Superuser+"@", postgres.OwnerRole(b.service)+"@", 1)
			}
			s.exec(t, dsn, b.sql)
			if b.as == "owner" {
				s.exec(t, dsn, sealedAnew)
			}
			if b.change != nil {
				b.change(&p)
			}
			wantFound(t, p, b)
		})
	}
	t.Run("a price that is not quantity x price", func(t *testing.T) { forgedPrice(t, s, sound) })
}

// mayToo is broken by a consumer that stands still where another event that it has names the one it has not, which is a matter of milliseconds.
const mayToo = "positions in order"

func wantFound(t *testing.T, p checker.Plant, b breaking) {
	t.Helper()
	report, err := checker.At(t.Context(), p)
	require.NoError(t, err)
	var fired, rows []string
	for _, f := range report.Findings {
		if len(f.Violations) > 0 && f.Name != b.finds && (b.finds != "events arrive" || f.Name != mayToo) {
			fired = append(fired, f.Name)
		}
	}
	for _, v := range report.Finding(b.finds).Violations {
		rows = append(rows, v.Service+" "+v.Row+": "+v.Text)
	}
	if !slices.ContainsFunc(rows, func(r string) bool { return strings.Contains(r, b.row) }) {
		t.Errorf("%q names %q, want %q; others: %q", b.finds, rows, b.row, fired)
	}
	slices.Sort(fired)
	also := slices.Sorted(slices.Values(b.also))
	if diff := cmp.Diff(also, fired); diff != "" {
		t.Errorf("other invariants broken by it (-want +got):\n%s\n%v", diff, report.Err())
	}
}

// forgedPrice changes what an event says was paid, in intake's log, so that it is no longer quantity x price.
func forgedPrice(t *testing.T, s *stopped, sound checker.Plant) {
	p := s.copyOf(t, sound, "intake")
	conn, err := pgx.Connect(t.Context(), p.Databases["intake"])
	require.NoError(t, err)
	defer conn.Close(t.Context())
	var position int64
	var payload []byte
	require.NoError(t, conn.QueryRow(t.Context(), `select position, payload from events where type = 'price-settled' order by position desc limit 1`).Scan(&position, &payload))
	e := &eventv1.Event{}
	require.NoError(t, proto.Unmarshal(payload, e))
	e.GetPriceSettled().PurchaseMicros += 10_000
	payload, err = proto.Marshal(e)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `update events set payload = $2 where position = $1`, position, payload)
	require.NoError(t, err)
	wantFound(t, p, breaking{finds: "cents in are cents out", row: e.GetPriceSettled().GetLot() + " final", also: []string{chain, "separate hands"}})
}

// copyOf is a plant whose one database is a copy of its own.
func (s *stopped) copyOf(t *testing.T, sound checker.Plant, service string) checker.Plant {
	t.Helper()
	s.mu.Lock()
	s.copies++
	name := fmt.Sprintf("copy_%d_%s", s.copies, service)
	s.mu.Unlock()
	admin := s.server.DSN("postgres", pgserver.Superuser)
	s.exec(t, admin, fmt.Sprintf("create database %s template %s owner %s", name, postgres.OwnerRole(service), postgres.OwnerRole(service)))
	t.Cleanup(func() { s.exec(t, admin, "drop database "+name+" with (force)") })
	p := sound
	p.Databases, p.RunTime = map[string]string{}, map[string]string{}
	for _, other := range services() {
		p.Databases[other], p.RunTime[other] = sound.Databases[other], sound.RunTime[other]
	}
	p.Databases[service], p.RunTime[service] = s.server.DSN(name, pgserver.Superuser), s.server.DSN(name, postgres.RunRole(service))
	return p
}

// program asks the program itself, of databases that nobody serves.
func program(t *testing.T, s *stopped) {
	p := s.copied(t)
	verify := func() planttest.Result {
		args := []string{"--format", "json", "verify"}
		for _, name := range services() {
			args = append(args, "--database", name+"="+p.Databases[name])
		}
		return planttest.Call(t, args...)
	}
	if r := verify(); r.Code != 0 {
		t.Errorf("sound databases: exit %d\n%s\n%s", r.Code, r.Out, r.Err)
	}
	s.exec(t, p.Databases["intake"], `update received_weighings set digits = '101' where lot = 'D-03' and number = 2`)
	if r := verify(); r.Code != 1 || !strings.Contains(r.Out, "intake received_weighings(lot=D-03 version=1 number=2)") {
		t.Errorf("a changed weighing: exit %d, want 1 and the row named\n%s\n%s", r.Code, r.Out, r.Err)
	}
}
