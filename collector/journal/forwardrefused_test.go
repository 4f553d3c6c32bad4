package journal

import (
	"context"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// What is refused without a line is counted as given up, and nothing is kept.
func TestWhatIsRefusedWithoutALineIsCounted(t *testing.T) {
	ctx := context.Background()
	j := open(t, filepath.Join(t.TempDir(), "journal.db"), Options{})
	o := outbox(t, j)
	r := hours("d-1", t0, 5)
	commitAll(t, j, entry(r))
	p, err := o.Next(ctx, 10)
	require.NoError(t, err)
	require.NoError(t, o.Done(ctx, p, []Refused{
		{Reason: "beyond_retention", Status: 422, Channel: r.Channel, At: r.At},
		{Reason: "syntax", Status: 400, Line: []byte("a b=c 1"), Words: "no"},
	}))
	kept, err := o.Refused(ctx, 0, 10)
	require.NoError(t, err)
	require.Len(t, kept, 1)
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"syntax": 1}, b.Refused)
	require.Equal(t, map[string]int64{"beyond_retention": 1}, b.GivenUp)
}

// What no line can be made of is kept as a comment that names it, each by itself;
// the same again takes the place of what was there.
func TestWhatHasNoLineIsKeptAsideOneByOne(t *testing.T) {
	ctx := context.Background()
	j := open(t, filepath.Join(t.TempDir(), "journal.db"), Options{})
	o := outbox(t, j)
	r := hours("d-1", t0, 5)
	commitAll(t, j, entry(r))
	p, err := o.Next(ctx, 10)
	require.NoError(t, err)
	comments := []string{"# run.hours of d-1 at 1999-01-01T00:00:00Z", "# run.hours of d-1 at 1999-01-02T00:00:00Z", `# fact "f-1"`, "# run.hours of d-1 at 1999-01-01T00:00:00Z"}
	var refused []Refused
	for _, c := range comments {
		refused = append(refused, Refused{Reason: "unencodable", Line: []byte(c), Words: "no"})
	}
	require.NoError(t, o.Done(ctx, p, refused))
	kept, err := o.Refused(ctx, 0, 10)
	require.NoError(t, err)
	var lines []string
	for _, k := range kept {
		lines = append(lines, string(k.Line))
	}
	require.Equal(t, comments[1:], lines)
	require.ErrorIs(t, j.QueueLines(ctx, [][]byte{[]byte("# no line 1")}), ErrLine)
}
