// Package genealogy is the index of what came from what: every lot, the runs, pours, returns and purchases that joined them, and
// where their pounds went, held in memory so that a recall drill takes milliseconds.
//
// The index is a fold over the lot events of all producers and nothing else, so it can be dropped and rebuilt. Events of one producer
// come in position order (those that wait in quarantine come later, and name only lots that nobody else touches meanwhile); events
// of different producers in any order: the same facts give the same index. That holds because a fact never rests on another
// producer's being there already: a lot is known by its code from the first mention, and is born when its birth is told.
//
//	    received            run line (input)          run line (output)
//	──────────────▶ lot ─────────────────────▶ run ─────────────────────▶ lot ──▶ shipment line ──▶ consignee
//	                 │ pour: to a bin lot                                  ▲
//	                 │ purchase: to the company's lot                      │
//	                 └──────────── return: pounds of a shipment line ──────┘
//
// A run is a node of its own, so that a hundred inputs and a hundred outputs are two hundred legs and not ten thousand pairs. A
// run with a contribution table joins only the pairs of its table; an output that its table does not name has all inputs, since a
// trace errs toward more.
//
// Every way pounds enter or leave a lot is one leg of 40 bytes in one slice; legs of a lot, and of a run or shipment, are chained by
// number. Where its pounds stand is kept beside it, and costs nothing where all is at the default place. A leg that a later fact replaced is marked dead and stays, so that nothing has to be unlinked.
//
// An Index is not safe for use while Apply runs: its owner holds a lock around both. Queries change nothing and may run side by side.
package genealogy
