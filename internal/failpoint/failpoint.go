// Package failpoint lets a test stop the process at a named place in the code, or give it another clock and an impatient bus. In a normal build
// every call is an empty function that the compiler removes; with the build tag "failpoint" the environment says what is to happen:
//
//	HUSKLINE_FAILPOINT  NAME or NAME:N: kill the process at the first, or the N-th, hit of NAME
//	HUSKLINE_CLOCK      a file that holds a duration, such as 24h or -1h, by which the program's clock is off; it is read again and again
//	HUSKLINE_ACKWAIT    a duration after which the bus hands out again what was not acknowledged
package failpoint
