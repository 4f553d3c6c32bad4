package mqtt

import (
	"slices"
	"strings"

	"dwindle/config/mapping"
)

// covers says whether every topic that matches filter b matches filter a too.
// Shared subscriptions are filters of their own and cover themselves only.
func covers(a, b string) bool {
	switch {
	case a == b:
		return true
	case strings.HasPrefix(a, "$share/"), strings.HasPrefix(b, "$share/"):
		return false
	case strings.HasPrefix(b, "$") && !strings.HasPrefix(a, "$"):
		return false // MQTT 3.1.1, 4.7.2: such topics want to be named
	}
	return mapping.Covers(a, b)
}

// distinct leaves out filters that others cover: a broker may deliver what
// matches two filters twice. The order stays.
func distinct(filters []string) []string {
	var out []string
	for i, f := range filters {
		covered := false
		for j, other := range filters {
			// Of two equal ones the first stays.
			if i != j && covers(other, f) && (other != f || j < i) {
				covered = true
			}
		}
		if !covered {
			out = append(out, f)
		}
	}
	return out
}

// union is the sorted set of the filters in any of the lists.
func union(lists ...[]string) []string {
	all := slices.Concat(lists...)
	slices.Sort(all)
	return slices.Compact(all)
}
