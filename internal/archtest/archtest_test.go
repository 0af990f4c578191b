package archtest_test

import (
	"os"
	"testing"

	"huskline/internal/archtest"
)

// TestTree holds the whole tree to the rules.
func TestTree(t *testing.T) {
	faults, err := archtest.Check(os.DirFS("../.."))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		t.Error(f)
	}
}
