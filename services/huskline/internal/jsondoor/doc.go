// Package jsondoor reads what comes by JSON over HTTP. A batch of readings is read one reading at a time: one that cannot be read goes on as a defect at its
// place, with the rule, so that the service stores the others and answers each one. What cannot be taken apart (no JSON, cut in the middle, a
// field of the batch itself that is wrong) is refused whole.
package jsondoor
