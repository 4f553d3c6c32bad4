package systemd

import "golang.org/x/sys/unix"

// monotonic is the clock that the manager compares with, µs; Go's own shows no
// reading of it.
func monotonic() (us int64, err error) {
	var now unix.Timespec
	err = unix.ClockGettime(unix.CLOCK_MONOTONIC, &now)
	return now.Nano() / 1000, err
}
