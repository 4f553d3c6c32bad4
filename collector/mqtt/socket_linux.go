package mqtt

import (
	"errors"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// socketOptions bounds how long sent bytes may stay unconfirmed by the other
// machine. Without it a connection that was cut off without a word is only
// given up after the kernel's retransmissions, some 15 minutes.
func socketOptions(_, _ string, c syscall.RawConn) error {
	const unconfirmed = 30 * time.Second
	var err error
	return errors.Join(c.Control(func(fd uintptr) {
		err = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(unconfirmed.Milliseconds()))
	}), err)
}
