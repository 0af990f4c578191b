package plant

import "syscall"

// dieWithParent takes a process away with a storm that is killed.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGKILL }
