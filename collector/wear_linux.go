package collector

import (
	"bytes"
	"os"
	"strconv"
)

// written gives the bytes that this process has sent towards disks since it
// began, as the kernel counts them: whole pages, each time one becomes dirty.
func written() (n int64, ok bool) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	_, rest, found := bytes.Cut(text, []byte("\nwrite_bytes: "))
	line, _, _ := bytes.Cut(rest, []byte("\n"))
	n, err = strconv.ParseInt(string(line), 10, 64)
	return n, found && err == nil
}
