//go:build race

package checker_test

// raced tells that the race detector watches, under which everything takes some ten times as long.
const raced = true
