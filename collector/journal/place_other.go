//go:build !linux

package journal

// place is known on Linux only.
func place(string) (kind string, network bool) { return "", false }
