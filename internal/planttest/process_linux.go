package planttest

import "syscall"

// dieWithParent takes the process away with a test binary that is killed or runs out of time.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGKILL }
