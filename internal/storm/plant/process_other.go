//go:build !linux

package plant

import "syscall"

// dieWithParent does nothing where the kernel cannot do it.
func dieWithParent(*syscall.SysProcAttr) {}
