//go:build !failpoint

package failpoint

// Enabled tells whether this build can be made to fail on purpose.
const Enabled = false

// Hit marks a place in the code; it does nothing in this build.
func Hit(string) {}
