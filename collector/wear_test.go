package collector

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
)

func TestWhatIsWrittenInADayIsToldAndBounded(t *testing.T) {
	checks := health.New(nil)
	w := newWear(checks)
	var bytes int64
	w.count = func() (int64, bool) { return bytes, true }
	now := t0
	// 4 MB in five minutes: 12 x 24 x 4 = 1152 MB a day.
	for range 12 {
		w.look(now, 600)
		now, bytes = now.Add(5*time.Minute), bytes+4e6
	}
	require.EqualValues(t, -1, w.perDay(), "an hour is needed")
	w.look(now, 600)
	require.EqualValues(t, 1152e6, w.perDay())
	c := checks.List()[0]
	require.Equal(t, health.Warn, c.Level)
	require.Contains(t, c.What, "disk writes about 1152 MB a day, more than the 600 MB")
	w.look(now, 0)
	require.Equal(t, health.Ok, checks.Worst(), "no bound")
	// A quiet day: only the last 24 hours count.
	for range 25 * 12 {
		now, bytes = now.Add(5*time.Minute), bytes+1e6
		w.look(now, 600)
	}
	require.EqualValues(t, 288e6, w.perDay())
	require.LessOrEqual(t, len(w.marks), 24*12+1, "bounded")
	require.Equal(t, "disk writes about 288 MB a day", checks.List()[0].What)
	require.Equal(t, bytes, w.total())
}

func TestKernelCounts(t *testing.T) {
	n, ok := sumCounters("rchar: 100\nwchar: 23\nsyscr: 5\nsyscw: 6\nread_bytes: 0\nwrite_bytes: 4096\ncancelled_write_bytes: 0\n", []string{"rchar", "wchar"})
	require.True(t, ok)
	require.EqualValues(t, 123, n)
	for _, text := range []string{"", "rchar: 100\n", "rchar: x\nwchar: 1\nwrite_bytes: 2\n"} {
		_, ok := sumCounters(text, []string{"rchar", "wchar"})
		require.False(t, ok, text)
	}
}
