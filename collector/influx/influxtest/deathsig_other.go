//go:build !linux

package influxtest

import "syscall"

// endWithParent can do nothing here: after a panic of the test binary the
// server stays.
func endWithParent(*syscall.SysProcAttr) {}
