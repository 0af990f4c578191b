package main

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// importedSeason is a plant that took in a season folder, with its questions.
type importedSeason struct {
	up     *planttest.One
	folder string
	asked  []question
}

// seasonFolder is one of the folders under testdata at the top of the tree.
func seasonFolder(name string) string { return filepath.Join("..", "..", "testdata", name) }

// TestSeason sends each season folder through the built program and asks it everything that the independent calculation answers: at once, after a
// second import, after a clean restart and after kill -9. It catches any rule of stock, genealogy or cost that is not the one of the folder's page,
// a command that is applied twice, and a state that is not what its facts say once it is rebuilt.
func TestSeason(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"season", "season-2"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := &importedSeason{folder: seasonFolder(name), up: planttest.Up(t, planttest.UpConfig{})}
			s.asked = loadExpected(t, s.folder).questions()
			first := s.send(t)
			require.Equal(t, first.Rows, first.Sent, "rows sent by the first import")
			require.Equal(t, first.Weighings, first.Stored+first.Seen, "weighings accepted")
			t.Run("answers", s.compareAll)
			t.Run("program", s.compareProgram)
			t.Run("verify", s.verified)
			before := s.atVector(t)
			t.Run("second import", func(t *testing.T) { s.importAgain(t, before) })
			t.Run("restart", func(t *testing.T) {
				s.up.Stop(t)
				s.up.Again(t)
				s.same(t, before)
			})
			t.Run("kill", func(t *testing.T) {
				s.up.Kill(t)
				s.up.Again(t)
				s.same(t, before)
				s.compareAll(t)
			})
		})
	}
}

// send imports the folder with the built program.
func (s *importedSeason) send(t *testing.T) importObject {
	t.Helper()
	r := s.up.Call(t, "import", s.folder)
	if r.Code != exitDone {
		t.Fatalf("import %s: exit %d, want 0\n%s\n%s", s.folder, r.Code, r.Out, r.Err)
	}
	var o importObject
	planttest.Decode(t, r.Out, &o)
	require.Empty(t, o.Refusals)
	t.Logf("%s: %d rows at %v a second", s.folder, o.Rows, o.RowsPerSecond)
	return o
}

// ask is a question put in this process, through the command line's own code.
func (s *importedSeason) ask(t *testing.T, args ...string) planttest.Result {
	t.Helper()
	return command(t, append([]string{"--data", s.up.Dir, "--format", "json"}, args...)...)
}

// maxShown keeps a failure readable; the count is exact all the same.
const maxShown = 25

func (s *importedSeason) compareAll(t *testing.T) {
	t.Helper()
	var all []string
	for _, q := range s.asked {
		r := s.ask(t, q.args...)
		if r.Code != exitDone {
			all = append(all, strings.Join(q.args, " ")+": "+r.Err)
			continue
		}
		all = append(all, q.differences(t, r.Out)...)
	}
	if len(all) > 0 {
		t.Errorf("%d differences in the answers to %d questions, such as:\n%s", len(all), len(s.asked), strings.Join(all[:min(len(all), maxShown)], "\n"))
	}
}

// compareProgram asks a few through the built program: it must print what this process prints.
func (s *importedSeason) compareProgram(t *testing.T) {
	seen := map[string]bool{}
	for _, q := range s.asked {
		if seen[q.args[0]] {
			continue
		}
		seen[q.args[0]] = true
		if diff := cmp.Diff(s.ask(t, q.args...).Out, s.up.OK(t, q.args...)); diff != "" {
			t.Errorf("%v (-in this process +program):\n%s", q.args, diff)
		}
	}
}

func (s *importedSeason) verified(t *testing.T) {
	if r := s.up.Call(t, "verify"); r.Code != exitDone {
		t.Errorf("verify: exit %d, want 0\n%s\n%s", r.Code, r.Out, r.Err)
	}
}

// everyNth of the lots and runs is asked at a past vector, where each answer reads the facts anew.
const everyNth = 40

// atVector is the answers to a part of the questions at the vector that the balance now prints, by question.
func (s *importedSeason) atVector(t *testing.T) map[string]string {
	t.Helper()
	var b balanceObject
	r := s.ask(t, "balance")
	require.Equal(t, exitDone, r.Code, r.Err)
	planttest.Decode(t, r.Out, &b)
	require.NotEmpty(t, b.AsOf)
	out := map[string]string{}
	for i, q := range s.asked {
		if q.args[0] == "cost" && i%everyNth != 0 {
			continue
		}
		args := append(append([]string{}, q.args...), "--as-of", b.AsOf)
		r := s.ask(t, args...)
		if r.Code != exitDone {
			t.Fatalf("%v: exit %d: %s", args, r.Code, r.Err)
		}
		if d := q.differences(t, r.Out); len(d) > 0 {
			t.Errorf("at the printed vector: %v", d)
		}
		out[strings.Join(args, " ")] = r.Out
	}
	return out
}

// same asks the questions again, vector and all: the same bytes must come.
func (s *importedSeason) same(t *testing.T, before map[string]string) {
	t.Helper()
	for args, want := range before {
		r := s.ask(t, strings.Fields(args)...)
		if diff := cmp.Diff(want, r.Out); diff != "" {
			t.Errorf("%s (-before +now):\n%s\n%s", args, diff, r.Err)
		}
	}
}

// importAgain sends the folder a second time: nothing is new, nothing is counted twice, no fact is recorded.
func (s *importedSeason) importAgain(t *testing.T, before map[string]string) {
	balance := s.ask(t, "balance").Out
	again := s.send(t)
	if again.Sent != 0 || again.Repeated != again.Rows {
		t.Errorf("second import: %d sent and %d known before of %d rows, want all known", again.Sent, again.Repeated, again.Rows)
	}
	if again.Stored != 0 {
		t.Errorf("second import stored %d weighings, want none", again.Stored)
	}
	if diff := cmp.Diff(balance, s.ask(t, "balance").Out); diff != "" {
		t.Errorf("balance, its vector too (-before +after a second import):\n%s", diff)
	}
	s.same(t, before)
}
