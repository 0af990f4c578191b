package checker_test

import (
	"encoding/hex"
	"flag"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/snapshot"
	"huskline/internal/verify"
)

var (
	tamperSeed  = flag.Uint64("tamper.seed", 0, "seed of the tampering; 0: a new one")
	tamperTries = flag.Int("tamper.tries", 10_000, "how many bytes are changed")
)

// read gives the databases of the plant as they lie there.
func (s *stopped) read(t *testing.T) []*snapshot.Database {
	t.Helper()
	p := s.copied(t)
	var out []*snapshot.Database
	for _, name := range services() {
		d, err := snapshot.Read(t.Context(), p.Databases[name], name)
		require.NoError(t, err)
		out = append(out, d)
	}
	return out
}

// victim is a stored value that may be changed.
type victim struct {
	db, row, column int
	table           string
}

// tampering changes one byte of one stored value in databases held in memory, and asks whether the row is named.
func tampering(t *testing.T, s *stopped) {
	dbs := s.read(t)
	sound := verify.Rows(dbs)
	require.Empty(t, sound.Differences, "before anything was changed")
	t.Log(strings.Join(sound.NotJudged, "\n"))
	seed := *tamperSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	tries := *tamperTries
	if testing.Short() || raced {
		tries /= 20
	}
	victims := victimsOf(t, dbs, sound)
	t.Logf("seed %d: %d tries on %d stored values", seed, tries, len(victims))
	workers := runtime.GOMAXPROCS(0)
	var group sync.WaitGroup
	for w := range workers {
		group.Go(func() {
			rnd := rand.New(rand.NewPCG(seed, uint64(w)))
			mine, reader := cloned(dbs), &verify.Reader{}
			for range tries / workers {
				tamper(t, rnd, mine, reader, victims[rnd.IntN(len(victims))])
			}
		})
	}
	group.Wait()
}

// victimsOf lists all values of all tables that are judged, each with the same weight, whatever its table's size. A value without a byte is none.
func victimsOf(t *testing.T, dbs []*snapshot.Database, sound *verify.Report) []victim {
	t.Helper()
	var out []victim
	for i, d := range dbs {
		for name, table := range d.Tables {
			prefix := d.Service + " " + name + ":"
			if slices.ContainsFunc(sound.NotJudged, func(s string) bool { return strings.HasPrefix(s, prefix) }) {
				continue
			}
			for r, cells := range table.Rows {
				for c := range cells {
					if !cells[c].Null && cells[c].Text != "" && cells[c].Text != "{}" && cells[c].Text != `\x` {
						out = append(out, victim{i, r, c, name})
					}
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b victim) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) })
	return out
}

func cloned(dbs []*snapshot.Database) []*snapshot.Database {
	var out []*snapshot.Database
	for _, d := range dbs {
		c := &snapshot.Database{Service: d.Service, Tables: map[string]*snapshot.Table{}}
		for name, table := range d.Tables {
			n := snapshot.NewTable(name, table.Columns, table.Types, table.Key)
			for _, cells := range table.Rows {
				n.Rows = append(n.Rows, slices.Clone(cells))
			}
			c.Tables[name] = n
		}
		out = append(out, c)
	}
	return out
}

func tamper(t *testing.T, rnd *rand.Rand, dbs []*snapshot.Database, reader *verify.Reader, v victim) {
	table := dbs[v.db].Tables[v.table]
	cells := table.Rows[v.row]
	row := snapshot.Row{Table: table, Cells: cells}
	was, before := cells[v.column], row.ID()
	cells[v.column].Text = changed(t, rnd, table.Types[v.column], was.Text)
	after := row.ID()
	report := reader.Rows(dbs)
	named := slices.ContainsFunc(report.Differences, func(d verify.Difference) bool {
		return strings.Contains(d.Subject, dbs[v.db].Service+" "+before) || strings.Contains(d.Subject, dbs[v.db].Service+" "+after)
	})
	if !named {
		t.Errorf("%s %s: %s changed from %q to %q is not named; %d differences: %+v", dbs[v.db].Service, before, table.Columns[v.column], was.Text,
			cells[v.column].Text, len(report.Differences), report.Differences[:min(2, len(report.Differences))])
	}
	cells[v.column] = was
}

// changed is a value as Postgres would print it with one byte of what it stores changed.
func changed(t *testing.T, rnd *rand.Rand, typ, text string) string {
	t.Helper()
	other := byte(1 + rnd.IntN(255))
	number := func(bits int) string {
		n, err := strconv.ParseInt(text, 10, 64)
		require.NoError(t, err)
		n ^= int64(other) << (8 * rnd.IntN(bits/8))
		switch bits {
		case 16:
			return fmt.Sprint(int16(n))
		case 32:
			return fmt.Sprint(int32(n))
		}
		return fmt.Sprint(n)
	}
	switch typ {
	case "bigint":
		return number(64)
	case "integer":
		return number(32)
	case "smallint":
		return number(16)
	case "boolean":
		return map[string]string{"t": "f", "f": "t"}[text]
	case "text":
		b := []byte(text)
		b[rnd.IntN(len(b))] ^= other
		return string(b)
	case "bytea":
		b, err := hex.DecodeString(text[2:])
		require.NoError(t, err)
		b[rnd.IntN(len(b))] ^= other
		return `\x` + hex.EncodeToString(b)
	case "uuid":
		b, err := hex.DecodeString(strings.ReplaceAll(text, "-", ""))
		require.NoError(t, err)
		b[rnd.IntN(len(b))] ^= other
		return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:])
	case "timestamp with time zone":
		at, err := time.Parse("2006-01-02 15:04:05.999999-07", text)
		require.NoError(t, err)
		return snapshot.FormatTime(time.UnixMicro(at.UnixMicro() ^ int64(other)<<(8*rnd.IntN(7)))) // the eighth byte is beyond what Postgres prints
	case "text[]", "smallint[]", "bigint[]", "boolean[]", "timestamp with time zone[]":
		b := []byte(text)
		at := 1 + rnd.IntN(len(b)-2)
		b[at] ^= other
		return string(b)
	}
	t.Errorf("a column of type %s: no rule says how a byte of it is changed", typ)
	return text + "x"
}
