// Package seasonimport sends a season folder that seasonfile found without fault through the public interfaces of the three services.
//
// Every row becomes part of one command: a run goes whole, with its inputs, outputs, contributions and charges; a shipment with its lines; any
// other row by itself. First all of it is tried: the services say of each command whether it was recorded before, and whether what it names (its id, its
// lot codes, its number, the numbers of readings) is in use for something else, and keep nothing. Any refusal then withholds the whole folder. Then all lot
// codes are claimed before the first fact, and each command is sent as soon as those that it rests on are answered, up to 16 at a time:
//
//	parties, items, stages ──▶ deliveries, receipts ──▶ pours, runs, adjustments, shipments ──▶ returns
//	                                    └──▶ final prices of a delivery, one after the other by time
//
// What uses a lot waits for the row that bears it (for a bin lot: all its pours) and for adjustments that add to it. Whatever of a season that
// balances has arrived by then balances too, so the order among withdrawals is free: the services order facts by when they happened.
//
// weighings.csv goes last, over a stream of its own, from the top in batches: nothing rests on it.
//
// What a running plant refuses only when it comes, since somebody was faster or placed a hold, stops the rest; what was sent and what was not is in the
// report. The folder is sent again once that is mended: what was recorded is known by its ids.
//
// Ids make a second run harmless: a command's id is the UUIDv5 of file name and natural key, a batch's of file name, first line and SHA-256 of
// its bytes. A row that was changed since it was sent meets its old id with another content and is refused as a conflict. A command that was not
// answered is repeated with the same id; stopping at any point and running again goes on where it was.
package seasonimport
