package collector

import (
	"os"
	"slices"
	"strconv"
	"strings"
)

// ProcessBytes gives what the kernel has counted of the bytes that this process
// has read and written since it began: the sum of some of its counters. It is
// false where one of them is not known, as on systems other than Linux
// (proc(5), /proc/pid/io).
func ProcessBytes(counters ...string) (bytes int64, ok bool) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	return sumCounters(string(text), counters)
}

func sumCounters(text string, counters []string) (bytes int64, ok bool) {
	seen := 0
	for line := range strings.Lines(text) {
		name, value, found := strings.Cut(strings.TrimSpace(line), ": ")
		n, err := strconv.ParseInt(value, 10, 64)
		if found && err == nil && slices.Contains(counters, name) {
			bytes += n
			seen++
		}
	}
	return bytes, seen == len(counters)
}
