package storm

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/storm/plant"
)

// Catches: a family of faults of which nothing is tried before a commit, and two faults that --only cannot tell apart.
func TestQuickHasOneOfEachFamily(t *testing.T) {
	t.Parallel()
	names := map[string]bool{}
	for i, family := range families() {
		if !slices.ContainsFunc(family, func(f Fault) bool { return f.Quick }) {
			t.Errorf("family %d, of %q, has no fault in the quick set", i, family[0].Name)
		}
		for _, f := range family {
			if f.Name == "" || f.Holds == "" || names[f.Name] {
				t.Errorf("fault %q: a name of its own and what must hold are asked for, it holds %q", f.Name, f.Holds)
			}
			names[f.Name] = true
		}
	}
}

// hit is a place in the code at which a process may be told to die.
var hit = regexp.MustCompile(`failpoint\.Hit\("([^"]+)"\)`)

// Catches: a failpoint that nobody dies at, and a name in the list that no code has.
func TestPlacesAreThoseInTheCode(t *testing.T) {
	t.Parallel()
	var got []string
	for _, service := range plant.Services() {
		got = append(got, places(service)...)
	}
	slices.Sort(got)
	got = slices.Compact(got)
	var want []string
	for _, dir := range []string{"internal", "services"} {
		root := filepath.Join("..", "..", dir)
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			for _, m := range hit.FindAllStringSubmatch(string(text), -1) {
				want = append(want, m[1])
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(want)
	if diff := cmp.Diff(slices.Compact(want), got); diff != "" {
		t.Errorf("places to die at, those in the code first:\n%s", diff)
	}
}
