// Package failpoint lets a test stop the process, or wait, at a named place in the code. In a normal build every call is an empty function that
// the compiler removes; with the build tag "failpoint" the environment variable HUSKLINE_FAILPOINT names the place.
package failpoint
