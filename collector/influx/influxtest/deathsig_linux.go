package influxtest

import "syscall"

// endWithParent has the system kill the server when the test binary is gone:
// after a panic, a timeout of go test, or a kill, no test ends it.
func endWithParent(a *syscall.SysProcAttr) { a.Pdeathsig = syscall.SIGKILL }
