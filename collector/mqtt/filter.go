package mqtt

import (
	"slices"
	"strings"
)

// covers says whether every topic that matches filter b matches filter a too
// (MQTT 3.1.1, 4.7: + is one level, # is all that follow and the level above).
// Shared subscriptions are filters of their own and cover themselves only.
func covers(a, b string) bool {
	if a == b {
		return true
	}
	if strings.HasPrefix(a, "$share/") || strings.HasPrefix(b, "$share/") {
		return false
	}
	// Topics that begin with $ are matched by a filter that says so only.
	if strings.HasPrefix(b, "$") && !strings.HasPrefix(a, "$") {
		return false
	}
	as, bs := strings.Split(a, "/"), strings.Split(b, "/")
	for i, level := range as {
		if level == "#" {
			return true
		}
		switch {
		case i >= len(bs), bs[i] == "#":
			return false
		case level == "+":
		case level != bs[i]:
			return false
		}
	}
	return len(as) == len(bs)
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
