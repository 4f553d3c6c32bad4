//go:build !linux

package mqtt

import "syscall"

// socketOptions has nothing to set here: the pings of the protocol alone
// notice a connection that was cut off without a word.
func socketOptions(string, string, syscall.RawConn) error { return nil }
