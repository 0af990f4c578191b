//go:build !race

package checker_test

// raced tells that the race detector watches.
const raced = false
