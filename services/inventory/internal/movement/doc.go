// Package movement is what intake and production do to lots: the lines of a run, piece by piece or whole, and correction sets. A movement
// is taken whole or not at all.
package movement
