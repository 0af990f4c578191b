// Package storm breaks a plant on purpose, by a seed, while traders work on it, and checks after each fault that nothing is lost, doubled or wrong.
//
//	round:  inject ─▶ it lasts ─▶ heal ─▶ traders stop between two steps ─▶ drain, 30 s at most ─▶ check everything ─▶ traders go on
//
// The faults stand in tables, one file for each family: what it is, what must hold, how it is made and healed. The seed gives the order of the
// faults, where and when each strikes, and what the traders do; a failing seed is run again with the same order and the same commands. How the
// processes interleave in real time is not repeated by it, so a seed may have to be run more than once.
package storm
