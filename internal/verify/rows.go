package verify

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Rows judges every stored row of the databases of all services, as they were read at one moment each, and asks nobody. A byte changed in an event,
// in what is kept of the others' events, in a link, a head, a cursor, a reading, a balance or in any row that carries a seal is named with its row:
//
//   - events are proved link by link, and each column beside the payload follows from it
//   - what one service kept of another's events, its cursors and the heads it heard are held against that other's own log
//   - readings are hashed and converted again, and held against the digests in the events that stored them
//   - rows with seals are held against them
//   - balances, containers and feeds are added up again
//
// A row of a log beyond what the other database had when it was read is left out: the databases need not be of the same moment.
// Tables of work under way, which hold no facts, are named in the report as not judged.
func Rows(dbs []*snapshot.Database) *Report {
	return new(Reader).Rows(dbs)
}

// Reader is Rows with a memory of payloads it has decoded, for whoever judges nearly the same rows many times. It is not safe for concurrent use.
type Reader struct {
	decoded map[string]*decoded
	sound   map[*snapshot.Cell][]snapshot.Cell // rows that fitted their seals, by where they lie
}

// decoded is what a payload says.
type decoded struct {
	sum   [sha256.Size]byte // of the payload
	event *eventv1.Event    // nil: no event
}

// Rows is the function of that name.
func (m *Reader) Rows(dbs []*snapshot.Database) *Report {
	if m.decoded == nil {
		m.decoded, m.sound = map[string]*decoded{}, map[*snapshot.Cell][]snapshot.Cell{}
	}
	r := &Report{}
	j := &judge{Report: r, memory: m, logs: map[string]*ownLog{}}
	for _, d := range dbs {
		j.db = d
		j.logs[d.Service] = j.ownLog()
	}
	for _, d := range dbs {
		j.db = d
		j.keptOfOthers()
		for _, name := range sorted(d.Tables) {
			j.table(d.Tables[name])
		}
		switch d.Service {
		case "intake":
			j.readings()
			j.feeds()
		case "inventory":
			j.balances()
			j.containers()
		}
		l := j.logs[d.Service]
		r.AsOf = append(r.AsOf, fmt.Sprintf("%s/%d/%d", d.Service, l.epoch, l.position))
	}
	r.count("stored rows", j.rows)
	return r
}

// judge is a judgement under way on one database after the other.
type judge struct {
	*Report
	memory *Reader
	db     *snapshot.Database
	logs   map[string]*ownLog
	rows   int
}

func (j *judge) differ(row snapshot.Row, column string, want, got any) {
	j.Report.differ("row", j.db.Service+" "+row.ID()+" "+column, want, got)
}

func (j *judge) equal(row snapshot.Row, column, want string) {
	if got := row.Text(column); got != want {
		j.differ(row, column, want, got)
	}
}

func (j *judge) decode(text string) *decoded {
	if d, ok := j.memory.decoded[text]; ok {
		return d
	}
	payload := unhex(text)
	d := &decoded{sum: sha256.Sum256(payload)}
	e := &eventv1.Event{}
	if proto.Unmarshal(payload, e) == nil && e.GetBody() != nil {
		d.event = e
	}
	if len(j.memory.decoded) < maxRemembered {
		j.memory.decoded[text] = d
	}
	return d
}

// maxRemembered bounds the memory of payloads.
const maxRemembered = 1 << 20

// Tables that are judged by rules of their own, and those that hold nothing to judge, with the reason.
const (
	judgedApart = ""
	workOnly    = "a list of work under way, made and unmade by the service"
)

func unsealed() map[string]string {
	return map[string]string{
		"events": judgedApart, "head": judgedApart, "inbox_events": judgedApart, "cursors": judgedApart, "releases": judgedApart,
		"readings": judgedApart, "balances": judgedApart,
		"relay_cursor": "how far the relay came; it may lag and nothing rests on it",
		"open_intents": workOnly, "hold_frontier": workOnly, "owed_events": workOnly,
		"loop_gate":        "one row that writers queue at; it says nothing",
		"goose_db_version": "which migrations ran",
	}
}

// table checks seals, or says why a table has none.
func (j *judge) table(t *snapshot.Table) {
	if t.Column(sealColumn) >= 0 {
		j.checkSeals(t)
		return
	}
	why, known := unsealed()[t.Name]
	switch {
	case !known:
		j.NotJudged = append(j.NotJudged, j.db.Service+" "+t.Name+": no rule knows this table, and it has no seals")
	case why != judgedApart:
		j.NotJudged = append(j.NotJudged, j.db.Service+" "+t.Name+": "+why)
	}
}

// balances adds up the legs of each lot, place and owner. The latest key of the legs stands beside the sum.
func (j *judge) balances() {
	type pile struct {
		quantity int64
		latest   snapshot.Row
	}
	piles := map[string]*pile{}
	key := func(r snapshot.Row) string {
		return r.Text("lot") + "\x00" + r.Text("place") + "\x00" + r.Text("owner")
	}
	for _, leg := range j.db.Table("legs").All() {
		if leg.Null("lot") {
			continue
		}
		p := piles[key(leg)]
		if p == nil {
			p = &pile{latest: leg}
			piles[key(leg)] = p
		}
		p.quantity += leg.Int("quantity")
		if cmp.Or(leg.Time("effective").Compare(p.latest.Time("effective")), cmp.Compare(leg.Int("key_order"), p.latest.Int("key_order")),
			strings.Compare(leg.Text("key_name"), p.latest.Text("key_name"))) > 0 {
			p.latest = leg
		}
	}
	for _, row := range j.db.Table("balances").All() {
		j.rows++
		p := piles[key(row)]
		if p == nil {
			j.differ(row, "key", "no balance: no leg is of this lot, place and owner", row.Text("quantity"))
			continue
		}
		delete(piles, key(row))
		j.equal(row, "quantity", fmt.Sprint(p.quantity))
		j.equal(row, "latest", p.latest.Text("effective"))
		j.equal(row, "latest_order", p.latest.Text("key_order"))
		j.equal(row, "latest_name", p.latest.Text("key_name"))
	}
	for _, k := range sorted(piles) {
		parts := strings.Split(k, "\x00")
		j.Report.differ("row", fmt.Sprintf("inventory balances(lot=%s place=%s owner=%s)", parts[0], parts[1], parts[2]), piles[k].quantity, "no row")
	}
}

// containers adds up the legs of each container, whose other columns its seal covers.
func (j *judge) containers() {
	sums := map[string]int64{}
	key := func(r snapshot.Row) string {
		return r.Text("lot") + "\x00" + r.Text("container") + "\x00" + r.Text("place")
	}
	for _, leg := range j.db.Table("legs").All() {
		if !leg.Null("lot") && leg.Text("container") != "" {
			sums[key(leg)] += leg.Int("quantity")
		}
	}
	for _, row := range j.db.Table("containers").All() {
		j.equal(row, "quantity", fmt.Sprint(sums[key(row)]))
		delete(sums, key(row))
	}
	for _, k := range sorted(sums) {
		if sums[k] != 0 {
			j.Report.differ("row", "inventory containers("+strings.ReplaceAll(k, "\x00", " ")+")", sums[k], "no row")
		}
	}
}

// placed is a row of a log with its place.
type placed struct {
	spot
	row snapshot.Row
}

// byPosition sorts rows of a log.
func byPosition(rows []snapshot.Row) []placed {
	out := make([]placed, len(rows))
	for i, row := range rows {
		out[i] = placed{spot{row.Int("epoch"), row.Int("position")}, row}
	}
	slices.SortStableFunc(out, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.epoch, b.epoch), cmp.Compare(a.position, b.position))
	})
	return out
}
