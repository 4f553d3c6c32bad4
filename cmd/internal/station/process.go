package station

import (
	"os"
	"strconv"
	"strings"
)

// processMoved gives the bytes that this process has read and written by calls,
// from and to memory as well (Linux, proc(5), /proc/pid/io). It is false where
// that is not known.
func processMoved() (bytes int64, ok bool) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	return parseMoved(string(text))
}

func parseMoved(text string) (bytes int64, ok bool) {
	seen := 0
	for line := range strings.Lines(text) {
		name, value, found := strings.Cut(strings.TrimSpace(line), ": ")
		n, err := strconv.ParseInt(value, 10, 64)
		if found && err == nil && (name == "rchar" || name == "wchar") {
			bytes += n
			seen++
		}
	}
	return bytes, seen == 2
}
