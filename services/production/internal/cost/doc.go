// Package cost is the cost per pound of every lot and run, as one function of all known facts.
//
// A Book takes the facts of every producer in any order and keeps them by their natural keys: of two facts under one key the one of the higher
// version, then of the later place in its producer's sequence, stands. A repeat changes nothing, and a fact about a lot or run that is not yet
// known waits for it. So the Book after a set of facts does not depend on the order they came in.
//
// From the facts hangs a graph. Nodes are lots and runs, a run being one node; edges are flows: pounds of a lot going into a run, coming out of
// one, poured into a bin lot, coming back from a shipment.
//
//	received ──▶ lot ──▶ run ──▶ lot ──▶ shipped, written off, on hand
//	bought   ──▶      ╲       ▲      ╲─▶ bin lot (pour), lot that came back (return)
//	                   conversion      ▲
//
// A fact marks the nodes it touches; before an answer the marked nodes are evaluated in topological order, and a node is evaluated downstream
// only where what flows into it has changed. Nothing is ever moved along remembered fractions, so incremental and fresh evaluation give the
// same figures to the last unit.
//
// # What a flow carries
//
// Money is in millionths, weight in micropounds. Every flow and every lot has eight columns: stock cost at the prices first paid; stock cost with
// the final prices; service cost, which no price moves; kernel pounds and their dollars in both price sets; and the dollars and pounds that rest on
// a price not yet settled. All columns are withdrawn and split alike, each adding up by itself.
//
// # Rules
//
// Taking w of the W pounds on hand takes w/W of what the lot still holds, in two parts by largest remainder. A lot's flows are ordered by time,
// then receipts and returns, owner changes, runs, pours, adjustments, shipments, then the natural key as bytes; of two at one instant and of
// one rank what fills the lot goes before what draws on it. A count gain that a draw over the book of a bin lot made stands right after receipts
// and returns; like any gain it brings pounds and no dollars, so that a pound of the lot costs less.
//
// A run's cost is the dollars taken with its inputs and its conversion, less by-products at pounds x split-off price in force at its end (each line
// rounded half up; together no more than there is to credit). The rest goes over the main outputs by pounds x split-off price, or by pounds where
// none has a price above zero. Waste and unaccounted pounds carry nothing. With a contribution table the dollars of an input go over the main
// outputs by its own pounds in them, and only conversion less credit goes over all.
//
// While a run is open, outputs filled so far carry the part of its cost that the pounds out are of the pounds in; the rest is work in process, and
// everything that rests on it is marked provisional. What a run without a main output has cost, and what stays on a lot without pounds, is
// abnormal loss.
//
// A run for an owner credits no by-product and its conversion is service cost. Kernel pounds and dollars of a kernel lot are its own; those of a
// finished lot are passed on by weight from lot to run and shared over a run's outputs as its cost is; other lots have none.
package cost
