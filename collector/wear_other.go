//go:build !linux

package collector

// written is known on Linux only.
func written() (n int64, ok bool) { return 0, false }
