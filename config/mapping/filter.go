package mapping

import (
	"fmt"
	"strings"
)

// CheckFilter says what is wrong with an MQTT topic filter (MQTT 3.1.1,
// OASIS 2014, section 4.7).
func CheckFilter(filter string) error {
	if filter == "" || len(filter) > 512 {
		return fmt.Errorf("want a topic filter of 1 to 512 bytes")
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		if strings.Contains(level, "#") && (level != "#" || i < len(levels)-1) {
			return fmt.Errorf("# stands alone in the last level")
		}
		if strings.Contains(level, "+") && level != "+" {
			return fmt.Errorf("+ stands alone in its level")
		}
	}
	return nil
}

// Covers says that every topic that fits the second filter fits the first.
// A topic is a filter of itself.
func Covers(filter, other string) bool {
	for {
		head, rest, more := strings.Cut(filter, "/")
		if head == "#" {
			return true
		}
		oHead, oRest, oMore := strings.Cut(other, "/")
		if oHead == "#" || head != "+" && head != oHead {
			return false
		}
		switch {
		case !more && !oMore:
			return true
		case !oMore:
			return rest == "#" // a/# takes a as well
		case !more:
			return false
		}
		filter, other = rest, oRest
	}
}
