package mqtt

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestCovers(t *testing.T) {
	for _, row := range []struct {
		a, b string
		want bool
	}{
		{"a/#", "a/b", true}, {"a/#", "a", true}, {"a/#", "a/+/x", true}, {"a/#", "a/#", true}, {"#", "a/b", true},
		{"a/+", "a/b", true}, {"a/+", "a/+", true}, {"+/b", "a/b", true}, {"a/+/c", "a/b/c", true},
		{"a/+", "a/#", false}, {"a/+", "a", false}, {"a/+", "a/b/c", false}, {"a/b", "a/+", false}, {"a/b", "a", false},
		{"#", "$SYS/#", false}, {"+/x", "$SYS/x", false}, {"$SYS/#", "$SYS/x", true},
		{"a/#", "$share/g/a/b", false}, {"$share/g/a/#", "$share/g/a/b", false}, {"$share/g/a", "$share/g/a", true},
	} {
		require.Equal(t, row.want, covers(row.a, row.b), "%s covers %s", row.a, row.b)
	}
	require.Equal(t, []string{"a/#", "b"}, distinct([]string{"a/+/x", "a/#", "b", "a/#", "a/b"}))
	require.Equal(t, []string{"a", "b", "c"}, union([]string{"c", "a"}, nil, []string{"b", "a"}))
}

// matches is the rule of the standard, level by level, written once more.
func matches(filter, topic string) bool {
	f, rest, more := strings.Cut(filter, "/")
	t, below, deeper := strings.Cut(topic, "/")
	switch {
	case f == "#":
		return true
	case f != "+" && f != t:
		return false
	case !more:
		return !deeper
	case !deeper:
		return rest == "#"
	}
	return matches(rest, below)
}

// What a covered filter matches, the covering one matches too.
func TestACoveringFilterMatchesAllThatTheOtherDoes(t *testing.T) {
	filter := rapid.Custom(func(t *rapid.T) string {
		levels := rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "+"}), 1, 3).Draw(t, "levels")
		if rapid.Bool().Draw(t, "all below") {
			levels = append(levels, "#")
		}
		return strings.Join(levels, "/")
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := filter.Draw(t, "a"), filter.Draw(t, "b")
		topic := strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "c"}), 1, 4).Draw(t, "topic"), "/")
		if covers(a, b) && matches(b, topic) && !matches(a, topic) {
			t.Fatalf("%s covers %s, which matches %s", a, b, topic)
		}
	})
}
