// Package command is the one way in which a service writes: it makes every write request repeatable.
//
// Run. The sender makes the id of a command and keeps it. Run runs the use-case in one transaction, together with the events it says, the
// answer and the id; so an accepted command is recorded once, and the same id with the same message gets the same answer for good. The same
// id with another message is a conflict. A refused command leaves nothing and is judged anew when it comes again.
//
// Post. What the inventory owns is changed by asking it, and no call is made while a transaction is open. A Poster therefore takes three
// steps, each of which may be the last before a crash:
//
//	Run(intent) ──▶ open ──call──▶ accepted ──▶ Run(outcome): events, answer, end of the try
//	   ▲              │  └──call──▶ refused  ──▶ reservation undone, end of the try
//	   │              └── no answer: stays open; the same request, or the sweeper, calls again with the same movement
//	   └── the same request after a refusal: a new try, judged anew
//
// The inventory knows a movement by its id and try and does it once however often it is called. Tries and their ends are only ever added;
// the list of open tries is no record but a work list: its row is also the lock that lets one of several finishers end a try.
//
// Restored. A database that went back to an earlier moment has forgotten commands whose events were taken back from the other services. Such a
// command is not done again: event ids bear a trace of it. It is answered where the answer can be told from its events, else
// refused with reason command_taken_back; the message is not compared, since its digest is lost. A command that said no event is forgotten.
package command
