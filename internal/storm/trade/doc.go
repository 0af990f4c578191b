// Package trade is the business that goes on in a storm: traders who post readings, receive, run, move, pour, hold, ship, correct and drill through
// the public interfaces, each on lots of its own, from a seed.
//
// A command keeps its id until it is answered with OK or a refusal, however often that takes; a journal holds every answer. Since no two traders
// share a lot, each knows to the last unit what every one of its lots must hold, whatever is repeated, lost or killed: see Audit. What a trader does
// depends on its seed and on the answers alone, so that the same seed gives the same commands; how many of them fit into the time is another matter.
package trade
