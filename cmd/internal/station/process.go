package station

import (
	"os"
	"strconv"
	"strings"
)

// ioCounts is what the kernel counts for this process.
type ioCounts struct {
	moved   int64 // bytes read and written by calls, from and to memory as well
	written int64 // bytes that it caused to be written to storage
}

// processIO reads the kernel's counts (Linux, proc(5), /proc/pid/io). It is
// false where there are none.
func processIO() (c ioCounts, ok bool) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return c, false
	}
	return parseIO(string(text))
}

func parseIO(text string) (c ioCounts, ok bool) {
	seen := 0
	for line := range strings.Lines(text) {
		name, value, found := strings.Cut(strings.TrimSpace(line), ": ")
		n, err := strconv.ParseInt(value, 10, 64)
		if !found || err != nil {
			continue
		}
		switch name {
		case "rchar", "wchar":
			c.moved += n
			seen++
		case "write_bytes":
			c.written = n
			seen++
		}
	}
	return c, seen == 3
}
