//go:build !linux

package planttest

import "syscall"

// dieWithParent does nothing where the kernel cannot do it: such a process is left to the test's own clean-up.
func dieWithParent(*syscall.SysProcAttr) {}
