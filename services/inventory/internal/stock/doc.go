// Package stock is the ledger of what is where: lots, their balances, and the legs that move pounds or pieces between lots, runs and
// accounts. Book.Close is the only place where legs are judged and handed to be written.
//
// A command opens a Book: it locks the runs and lots it names, runs first, each in key order, and reads all that is known about them in one
// round trip. Rules then add legs, births and edges to the book; nothing is written. Close judges the book as a whole and writes it in one
// round trip:
//
//	Open ──▶ Bear, Fill, Draw, Reverse … ──▶ Close: sums to zero? never below nothing at any moment? ──▶ written
//
// Per lot, place and owner the legs stand in one order: effective time; then receipts and returns, changes of owner, runs, moves and pours,
// adjustments, shipments; at one rank what fills goes before what draws; then the natural key as bytes. Never a generated id, never the
// time of recording. A draw of a bin lot over its book, inside the tolerance of the bin, makes a count gain that stands right after receipts
// and returns of its instant, under the fact that drew: it goes where the draw goes. A leg at or after the latest one needs the balance alone; an earlier one is judged by the running minimum from its
// time on.
package stock
