package main

import (
	"flag"
	"testing"
	"time"
)

var build = flag.Bool("breaks", false, "build each break and see it found; takes minutes")

// Every break must still say where it goes, or nothing shows any more that what it breaks is found. With -breaks each is built and must be found
// within a minute.
func TestBreaksOfTheRules(t *testing.T) {
	t.Parallel()
	const root = "../../.."
	breaks, err := readBreaks(root)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range breaks {
		if b.what == "" || b.old == b.new {
			t.Errorf("break %s says nothing, or breaks nothing", b.name)
		}
		if _, err := b.overlay(root, t.TempDir()); err != nil {
			t.Error(err)
			continue
		}
		if !*build {
			continue
		}
		said, took, err := b.found(t.Context(), root, time.Minute)
		if err != nil || said == "" {
			t.Errorf("break %s (%s) is not found in a minute: %v", b.name, b.what, err)
			continue
		}
		t.Logf("%s: found in %v: %s", b.name, took.Round(time.Millisecond), said)
	}
}
