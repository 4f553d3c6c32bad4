package collector

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// told is all that forecasts ask of a history of the small terminal.
type told struct {
	days    [][]reading.Day
	levels  []reading.Sample
	amounts []reading.Amount
	seen    []time.Time
	every   []time.Duration
}

func (x *house) tells(t testing.TB, h *History, fill, now time.Time) (out told) {
	t.Helper()
	ctx := context.Background()
	for _, s := range []journal.Series{{Device: "elevator-1", Kind: reading.Run}, {Device: "d-1", Kind: reading.Pulse}} {
		out.days = append(out.days, x.days(t, h, s.Device, s.Kind, "2025-01-01", "2027-01-01"))
		a, err := h.Amount(ctx, s.Device, s.Kind, fill, now)
		require.NoError(t, err)
		out.amounts = append(out.amounts, a)
		seen, every, _, err := h.LastSeen(ctx, s.Device, now)
		require.NoError(t, err)
		out.seen, out.every = append(out.seen, seen), append(out.every, every)
	}
	levels, err := h.Levels(ctx, "d-1", t0.AddDate(-1, 0, 0), now)
	require.NoError(t, err)
	out.levels = levels
	return out
}

// Whatever came, a history tells after its old readings are gone what it told
// before, also when its days are made anew.
func TestNothingThatIsAskedChangesWhenReadingsAge(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		x := start(t, terminal(t, 1, 1))
		now := t0
		hours, count := 0.0, 0
		for day := range 110 {
			for range rapid.IntRange(0, 2).Draw(r, "messages") {
				at := t0.AddDate(0, 0, day).Add(time.Duration(rapid.IntRange(0, 1200).Draw(r, "minute")) * time.Minute)
				if !at.After(now) {
					continue
				}
				hours += min(6, at.Sub(now).Hours()/2)
				count += rapid.IntRange(0, 9).Draw(r, "pulses")
				now = at
				x.submit(t, message("elevator-1", "run", at, `{"hours":%g}`, hours), message("d-1", "pulse", at, `{"count":%d}`, count),
					message("d-1", "level", at, `{"percent":%g}`, 100-float64(day)/2), message("d-1", "status", at, `{"supply_v":3}`))
			}
		}
		if now.Before(t0.AddDate(0, 0, 100)) {
			now = t0.AddDate(0, 0, 100)
		}
		x.flush(t)
		fill := t0.AddDate(0, 0, rapid.IntRange(40, 90).Draw(r, "fill")).Add(5 * time.Hour)
		ended := x.h.Round()
		before := x.tells(t, x.h, fill, now)
		ended(true)
		needs, ok := x.h.Needs()
		require.True(t, ok)
		require.Equal(t, map[string]time.Time{"elevator-1": fill, "d-1": fill}, needs)
		had := len(x.all(t))
		gone, err := x.Age(context.Background(), now.AddDate(0, 0, -10), needs)
		require.NoError(t, err)
		require.Equal(t, had-int(gone), len(x.all(t)))
		same := func(why string) {
			require.Equal(r, before, x.tells(t, NewHistory(x.j, x.site.Load), fill, now), why)
		}
		same("after ageing")
		again, err := x.Age(context.Background(), now.AddDate(0, 0, -10), needs)
		require.NoError(t, err)
		require.Zero(t, again, "all that may go is gone")
		require.NoError(t, x.Rebuild(context.Background()))
		same("after a rebuild")

		// What comes late for days that stand is kept aside.
		oldest, err := x.j.OldestReadings(context.Background())
		require.NoError(t, err)
		if !oldest.IsZero() {
			kept := len(x.kept(t))
			x.submit(t, message("elevator-1", "run", now, `{"at":%q,"hours":3}`, at(t0.Add(-time.Hour))))
			x.flush(t)
			list := x.kept(t)
			require.Len(t, list, kept+1)
			require.Equal(t, journal.ReasonAged, list[0].Reason)
			same("after a late message")
		}
		// Other rules hold from there on only.
		site := terminal(t, 1, 1)
		site.Machines[0].Every = time.Hour
		require.NoError(t, site.Reindex())
		x.site.Store(site)
		x.flush(t)
		after := x.tells(t, NewHistory(x.j, x.site.Load), fill, now)
		for i, d := range before.days[0] {
			if d.Date.Start(site.Location()).Before(oldest.AddDate(0, 0, -1)) {
				require.Equal(t, d, after.days[0][i])
			}
		}
		require.NoError(t, x.stop())
	})
}

func TestReadingsAgeInSmallSteps(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	const n = 24 * 200
	for i := range n {
		x.submit(t, message("elevator-1", "run", t0.Add(time.Duration(i)*time.Hour), `{"hours":%g}`, float64(i)/2))
	}
	x.flush(t)
	now := t0.AddDate(0, 0, 200)
	commits := x.count(t, journal.CountCommits)
	before := now.AddDate(0, 0, -70)
	gone, err := x.Age(context.Background(), before, nil)
	require.NoError(t, err)
	oldest, err := x.j.OldestReadings(context.Background())
	require.NoError(t, err)
	require.WithinDuration(t, before, oldest, 28*24*time.Hour)
	require.False(t, oldest.After(before))
	require.EqualValues(t, oldest.Sub(t0)/time.Hour, gone)
	require.Equal(t, commits, x.count(t, journal.CountCommits))
	require.Len(t, x.days(t, x.h, "elevator-1", reading.Run, "2026-01-01", "2027-01-01"), 201)

	// As of a past day without readings, days are known whole.
	past := x.h.AsOf(t0.AddDate(0, 0, 30).Add(10 * time.Hour))
	days := x.days(t, past, "elevator-1", reading.Run, "2026-01-01", "2027-01-01")
	require.InDelta(t, 30, len(days), 1)
	a, err := x.h.Amount(context.Background(), "elevator-1", reading.Run, t0.AddDate(0, 0, 30), t0.AddDate(0, 0, 60))
	require.NoError(t, err)
	require.InDelta(t, 30*12, a.Value, 1, "a day that is cut counts by its share")
	require.NotZero(t, a.Flags&reading.Gap)

	// Started anew, what has aged is known.
	require.NoError(t, x.stop())
	y := startAt(t, terminal(t, 1, 1), x.path)
	y.submit(t, message("elevator-1", "run", now, `{"at":%q,"hours":3}`, at(t0)), message("elevator-1", "run", now, `{"hours":2410}`))
	y.flush(t)
	require.Equal(t, journal.ReasonAged, y.kept(t)[0].Reason)
	require.Len(t, y.days(t, y.h, "elevator-1", reading.Run, "2026-01-01", "2027-01-01"), 201)
}

// States of the fold of long ago are kept for one day a week; a device that
// reports on other days only has none, and what it counted stands all the same.
func TestAnAmountSinceLongAgoNeedsNoSavedState(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	from := t0.AddDate(0, 0, 9).Add(5 * time.Hour)
	newest, reports := t0, 0
	for day := range 90 {
		at := t0.AddDate(0, 0, day)
		if day%2 == 0 || civil.Of(at, x.site.Load().Location())%7 == 0 {
			continue
		}
		newest, reports = at, reports+1
		x.submit(t, message("elevator-1", "run", at, `{"hours":%d}`, 6*reports))
		x.flush(t)
	}
	amount := func(from, to time.Time) reading.Amount {
		a, err := x.h.Amount(context.Background(), "elevator-1", reading.Run, from, to)
		require.NoError(t, err)
		return a
	}
	middle := t0.AddDate(0, 0, 13) // when it reported
	whole := amount(from, newest)
	require.InDelta(t, amount(from, middle).Value+amount(middle, newest).Value, whole.Value, 1e-9)
	require.InDelta(t, 1, whole.Known, 1e-9)
}
