// Package weighqueue keeps readings on the disk beside a scale until the plant has stored them, and gives them numbers where the device has none.
//
// A folder holds one queue:
//
//	queue  a line naming format and version, then records: length, CRC-32C, JSON. It only grows, until it is written anew without what was answered
//	mark   how many bytes of it are safe, in two slots written in turn
//	lock   held by the one process that uses the queue
//
// A reading counts once its record and then the mark are flushed. So after a crash what lies beyond the mark was never said to be kept, and a torn end
// there is cut off and told; a file that is shorter than its mark, or damaged before it, has lost readings that counted, and is refused with the place.
// Numbers are part of the records: none is given twice with different content, whatever is killed when.
//
// Readings leave in batches. A batch's id is written before the batch is sent, so that a repeat after a crash is the same command and the plant answers
// it from its record. A reading that the plant refuses stays, set aside, and is sent again now and then: most refusals are for now only. It leaves once it is
// stored, or once a person has put it aside for good at the plant, which keeps a record of that and then refuses it as discarded. At its limit
// the queue takes nothing more and says so; it never drops anything.
package weighqueue
