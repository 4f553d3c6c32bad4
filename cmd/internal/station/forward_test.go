package station

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/journal"
	"dwindle/config/civil"
)

func TestForwardingThatIsWantingForLongIsSaid(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	ago := func(hours float64) time.Time { return now.Add(-time.Duration(hours * float64(time.Hour))) }
	for name, x := range map[string]struct {
		taken, oldest time.Time
		rows, lost    int64
		backlog       int
		want          string
	}{
		"nothing waits":                {taken: ago(100), backlog: 30},
		"away since yesterday noon":    {taken: ago(23.5), oldest: ago(24), rows: 7, backlog: 30, want: "has taken nothing for 24 hours; 7 rows wait"},
		"away since last night":        {taken: ago(12), oldest: ago(12), rows: 7, backlog: 30},
		"catches up a long past":       {taken: ago(0.1), oldest: ago(300 * 24), rows: 1e6, backlog: 30},
		"never took anything":          {oldest: ago(30), rows: 7, backlog: 30, want: "has taken nothing for 30 hours"},
		"begins":                       {rows: 7, backlog: 30},
		"little time until given up":   {taken: ago(20), oldest: ago(20), rows: 7, backlog: 1, want: "has taken nothing for 20 hours"},
		"catches up too slowly":        {taken: ago(0.1), oldest: ago(425 * 24), rows: 7, backlog: 30, want: "will be given up soon"},
		"some was given up":            {taken: ago(0.1), oldest: ago(1), rows: 7, lost: 12, backlog: 30, want: "12 rows in all were given up"},
		"nothing waits, some given up": {taken: ago(0.1), lost: 12, backlog: 30, want: "12 rows in all were given up"},
	} {
		got := wanting(now, journal.Backlog{Taken: x.taken, Oldest: x.oldest}, x.rows, x.lost, x.backlog, 400)
		if x.want == "" {
			require.Empty(t, got, name)
			continue
		}
		require.Contains(t, got, x.want, name)
	}
}

// A journal of months does not wait for a receiver that was named a minute ago.
func TestWhatIsOlderThanForwardingHasNotWaitedForIt(t *testing.T) {
	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	b := journal.Backlog{Oldest: at.AddDate(0, 0, -200)}
	look := func(began time.Duration, b journal.Backlog) string {
		now := &forwarding{began: time.Now().Add(-began)}
		return wanting(at, now.since(b, at), 7, 0, 30, 400)
	}
	require.Empty(t, look(time.Minute, b))
	require.Contains(t, look(30*time.Hour, b), "has taken nothing for 30 hours; 7 rows wait")
	b.Taken = at.AddDate(0, 0, -2)
	require.Contains(t, look(time.Minute, b), "has taken nothing for 48 hours", "a restart of this program changes nothing about that")
	b = journal.Backlog{Oldest: at.Add(-24 * time.Hour)}
	require.Contains(t, look(30*time.Hour, b), "has taken nothing for 24 hours", "what came later has waited since it came")
}

// What waits for InfluxDB loses nothing, so it is no alarm at once; that it has
// waited for long is one.
func TestForwardingIsAnAlarmOnlyAfterLong(t *testing.T) {
	now := part(health.Check{Name: outbox.Check, Level: health.Bad})
	require.Equal(t, health.Warn, now.Level)
	require.False(t, now.Warns)
	require.False(t, now.Vital)
	long := part(health.Check{Name: checkForward, Level: health.Warn})
	require.True(t, long.Warns)
	require.False(t, long.Vital)
	require.False(t, vital(outbox.Check), "messages are taken without it")
	require.False(t, storing(outbox.Check) || storing(checkForward))
}

func TestWhatWasWrittenIsCountedByDay(t *testing.T) {
	now, at := &forwarding{}, time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	day := civil.New(2026, 11, 25)
	stats := func(written, lost int64) outbox.Stats {
		return outbox.Stats{Written: written, Waiting: outbox.Backlog{GivenUp: map[string]int64{"aged": lost}}}
	}
	require.Zero(t, now.count(day, stats(10, 3), at), "what was given up before is no news")
	require.Zero(t, now.base)
	require.EqualValues(t, 5, now.count(day, stats(20, 5), at))
	require.Zero(t, now.base)
	require.EqualValues(t, 5, now.count(day+1, stats(30, 5), at.Add(23*time.Hour)))
	require.EqualValues(t, 30, now.base)
	require.Zero(t, now.count(day+1, stats(40, 5), at.Add(25*time.Hour)))
	require.EqualValues(t, 30, now.base)
}
