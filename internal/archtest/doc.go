// Package archtest holds the shape of the tree in place: who may import whom, how long a function may grow, what needs
// a comment, what may stand at the top. It reads source text only (go/parser, no type check), so that it takes well
// under a second and also judges code that does not compile yet.
//
// Each rule is a function from the tree to its faults, in a file of its own; Check runs them all. A fault says the
// reason, so that whoever meets it need not look up a page. A rule that proves wrong is changed here, in the open, with
// its reason; there is no list of exceptions per file.
package archtest
