package sim

import (
	"flag"
	"testing"
)

var seedFlag = flag.Uint64("seed", 0, "run one seed and print its schedule")

func TestOne(t *testing.T) {
	r := Run(Options{Seed: *seedFlag, Trace: true})
	for _, l := range r.Schedule {
		t.Log(l)
	}
	t.Logf("%+v", r.Injected)
	t.Logf("steps %d accepted %d refused %v events %d", r.Steps, r.Accepted, r.Refused, r.Events)
	if r.Err != nil {
		t.Fatal(r.Err)
	}
}
