// Package seasonfile reads a season that comes as one folder of CSV files and judges the whole folder before a single row is sent.
//
// The folder is judged by itself: nothing here asks a service. So a folder that was imported yesterday passes again today, and what only the
// services can know (a lot code taken by another season, a hold) is left to them. All faults are found in one reading, each with its file, line,
// field, rule and limit. The steps:
//
//	cells     text, numbers, times, enumerations: each column by its own rule
//	keys      a natural key stands once, a lot is born once, a name leads to a row
//	runs      outputs within inputs, contribution rows that add up, main outputs all priced or none
//	graph     no run takes in what was made from its own outputs; one owner per run and bin
//	ledger    every lot's balance in the season's time order is never below zero, nothing is drawn before it was there
//
// A row with a fault in a cell is kept for its key alone, so that one bad cell does not make every row that leans on it look wrong.
// weighings.csv may hold millions of lines: it is checked as a stream, and read again by the one who sends it.
package seasonfile
