package mem

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/google/uuid"

	"huskline/internal/fault"
	eventv1 "huskline/proto/huskline/event/v1"
)

// event is a row of the outbox.
type event struct {
	id  string
	env *eventv1.Envelope
}

type commandRow struct {
	method          string
	digest          []byte
	answerType      string
	answer          []byte
	epoch, position int64
}

type tryRow struct {
	n                         int64
	method, actor             string
	digest, request, movement []byte
}

type endRow struct {
	kind            int
	reason, refusal string
	epoch, position int64
}

type openRow struct{ n, opened int64 }

// handlers are the statements known, by how they begin.
var handlers = []struct {
	begins string
	run    func(db *DB, sql string, args []any) (result, error)
}{
	{"select c.method, c.digest", (*DB).recall},
	{"insert into commands", (*DB).insertCommand},
	{"with next as", (*DB).appendEvent},
	{"commit", nothing},
	{"select i.digest from open_intents", (*DB).waiting},
	{"select coalesce(max(try), 0) + 1", (*DB).nextTry},
	{"insert into open_intents", (*DB).insertOpen},
	{"insert into intent_tries", (*DB).insertTry},
	{"select i.command_id::text, i.try", (*DB).selectTry},
	{"select 1 from open_intents", (*DB).lockOpen},
	{"insert into intent_ends", (*DB).insertEnd},
	{"delete from open_intents", (*DB).deleteOpen},
	{"select kind, reason, refusal from intent_ends", (*DB).refusal},
	{"select producer, epoch, position from head", (*DB).readHead},
	{"select event_id::text from events where event_id = any", (*DB).knownEvents},
}

// statement runs one statement of the plumbing.
func (db *DB) statement(sql string, args []any) (result, error) {
	sql = strings.TrimSpace(sql)
	for _, h := range handlers {
		if strings.HasPrefix(sql, h.begins) {
			return h.run(db, sql, args)
		}
	}
	panic("sim: the database in memory does not know the statement: " + sql)
}

func nothing(*DB, string, []any) (result, error) { return result{}, nil }

// violates is what a unique constraint says.
func violates(constraint, key string) error {
	return fmt.Errorf("duplicate key %s violates unique constraint %q", key, constraint)
}

func (db *DB) recall(_ string, args []any) (result, error) {
	c, ok := db.commands.Get(args[0].(string))
	if !ok {
		return result{}, nil
	}
	return result{rows: [][]any{{c.method, c.digest, c.answerType, c.answer, c.epoch, c.position, false}}}, nil
}

func (db *DB) insertCommand(_ string, args []any) (result, error) {
	id := args[0].(string)
	if db.commands.Has(id) {
		return result{}, violates("commands_pk", id)
	}
	head := db.head.Get()
	db.commands.Put(id, commandRow{
		method: args[1].(string), digest: bytes.Clone(args[2].([]byte)), answerType: args[3].(string), answer: bytes.Clone(args[4].([]byte)),
		epoch: head.Epoch, position: head.Position,
	})
	return result{rows: [][]any{{head.Epoch, head.Position}}, affected: 1}, nil
}

// appendEvent advances the head by the definition of the chain in the contract.
func (db *DB) appendEvent(_ string, args []any) (result, error) {
	h, id, payload := db.head.Get(), args[1].(string), args[3].([]byte)
	for _, e := range db.events.Rows() {
		if e.id == id {
			return result{}, violates("events_id_unique", id)
		}
	}
	h.Previous = h.Hash
	h.Position++
	h.RecordedMicros = max(h.RecordedMicros, args[0].(int64))
	digest := sha256.Sum256(payload)
	link := bytes.Clone(h.Previous[:])
	for _, n := range []int64{h.Epoch, h.Position, h.RecordedMicros} {
		link = binary.BigEndian.AppendUint64(link, uint64(n))
	}
	h.Hash = sha256.Sum256(append(link, digest[:]...))
	db.head.Set(h)
	db.events.Add(event{id, &eventv1.Envelope{
		Producer: string(db.producer), Epoch: h.Epoch, Position: h.Position, RecordedMicros: h.RecordedMicros, PreviousHash: h.Previous[:],
		Hash: h.Hash[:], Payload: payload, Type: args[2].(string),
	}})
	return result{affected: 1}, nil
}

func (db *DB) waiting(_ string, args []any) (result, error) {
	t, ok := db.openTry(args[0].(string))
	if !ok {
		return result{}, nil
	}
	return result{rows: [][]any{{t.digest}}}, nil
}

func (db *DB) openTry(id string) (tryRow, bool) {
	o, ok := db.open.Get(id)
	if !ok {
		return tryRow{}, false
	}
	tries, _ := db.tries.Get(id)
	for _, t := range tries {
		if t.n == o.n {
			return t, true
		}
	}
	return tryRow{}, false
}

func (db *DB) nextTry(_ string, args []any) (result, error) {
	tries, _ := db.tries.Get(args[0].(string))
	return result{rows: [][]any{{int64(len(tries)) + 1}}}, nil
}

func (db *DB) insertOpen(_ string, args []any) (result, error) {
	id := args[0].(string)
	if db.open.Has(id) {
		return result{}, violates("open_intents_pk", id)
	}
	db.open.Put(id, openRow{args[1].(int64), args[2].(int64)})
	return result{affected: 1}, nil
}

func (db *DB) insertTry(_ string, args []any) (result, error) {
	id := args[0].(string)
	tries, _ := db.tries.Get(id)
	db.tries.Put(id, append(slices.Clip(tries), tryRow{
		n: args[1].(int64), method: args[2].(string), digest: bytes.Clone(args[3].([]byte)), request: args[4].([]byte),
		movement: args[5].([]byte), actor: args[6].(string),
	}))
	return result{affected: 1}, nil
}

func (db *DB) selectTry(sql string, args []any) (result, error) {
	var ids []string
	if strings.Contains(sql, "where o.command_id") {
		ids = []string{args[0].(string)}
	} else {
		for id, o := range db.open.All() {
			if o.opened <= args[0].(int64) || o.opened > args[1].(int64) {
				ids = append(ids, id)
			}
		}
		db.shuffle(len(ids), func(i, j int) { ids[i], ids[j] = ids[j], ids[i] })
	}
	var r result
	for _, id := range ids {
		if t, ok := db.openTry(id); ok {
			r.rows = append(r.rows, []any{id, t.n, t.method, t.digest, t.request, t.movement, t.actor})
		}
	}
	return r, nil
}

func (db *DB) lockOpen(_ string, args []any) (result, error) {
	if o, ok := db.open.Get(args[0].(string)); ok && o.n == args[1].(int64) {
		return result{rows: [][]any{{1}}}, nil
	}
	return result{}, nil
}

func (db *DB) insertEnd(_ string, args []any) (result, error) {
	id, n := args[0].(string), args[1].(int64)
	ends, _ := db.ends.Get(id)
	if _, ended := ends[n]; ended {
		return result{}, violates("intent_ends_pk", id)
	}
	ends = maps.Clone(ends)
	if ends == nil {
		ends = map[int64]endRow{}
	}
	ends[n] = endRow{
		reason: args[2].(string), refusal: args[3].(string), kind: args[4].(int), epoch: args[5].(int64), position: args[6].(int64),
	}
	db.ends.Put(id, ends)
	return result{affected: 1}, nil
}

func (db *DB) deleteOpen(_ string, args []any) (result, error) {
	if o, ok := db.open.Get(args[0].(string)); ok && o.n == args[1].(int64) {
		db.open.Delete(args[0].(string))
	}
	return result{}, nil
}

func (db *DB) refusal(_ string, args []any) (result, error) {
	ends, _ := db.ends.Get(args[0].(string))
	if e, ok := ends[args[1].(int64)]; ok && e.kind != 0 {
		return result{rows: [][]any{{e.kind, e.reason, e.refusal}}}, nil
	}
	return result{}, nil
}

func (db *DB) readHead(string, []any) (result, error) {
	h := db.head.Get()
	return result{rows: [][]any{{string(db.producer), h.Epoch, h.Position}}}, nil
}

func (db *DB) knownEvents(_ string, args []any) (result, error) {
	var r result
	for _, e := range db.events.Rows() {
		if slices.Contains(args[0].([]string), e.id) {
			r.rows = append(r.rows, []any{e.id})
		}
	}
	return r, nil
}

// Head is where the producer's events stand.
func (db *DB) Head() Head { return db.head.Get() }

// Events lists the envelopes after a position, in order. They are the same values each time, and not to be changed.
func (db *DB) Events(after int64) []*eventv1.Envelope {
	rows := db.events.Rows()
	rows = rows[min(int(after), len(rows)):]
	out := make([]*eventv1.Envelope, len(rows))
	for i, e := range rows {
		out[i] = e.env
	}
	return out
}

// Relayed is how far the relay has published.
func (db *DB) Relayed() int64 { return db.relay.Get() }

// Relay moves the relay's cursor forward, inside a transaction; a relay that lags behind another does not move it back.
func (db *DB) Relay(position int64) {
	if position > db.relay.Get() {
		db.relay.Set(position)
	}
}

// Append says an event by itself, inside a transaction.
func (db *DB) Append(micros int64, id, kind string, payload []byte) error {
	if err := uuid.Validate(id); err != nil {
		return fault.Bug("event id %q: %v", id, err)
	}
	_, err := db.appendEvent("", []any{micros, id, kind, payload})
	return err
}

// OpenIntents lists the commands that wait for the inventory.
func (db *DB) OpenIntents() []string { return db.open.Keys() }

// Answered tells whether a command was accepted, and at which position.
func (db *DB) Answered(command string) (position int64, ok bool) {
	c, ok := db.commands.Get(command)
	return c.position, ok
}

// Commands counts the accepted commands.
func (db *DB) Commands() int { return db.commands.Len() }
