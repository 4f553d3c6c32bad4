package collector

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/wallclock"
)

// box is a gateway whose clock a test sets: wall shows what is true plus an
// error, up counts what is true.
type box struct {
	mu     sync.Mutex
	after  time.Duration // since its start at t0
	err    time.Duration
	synced bool
	looks  int
}

func (b *box) set(after, err time.Duration, synced bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.after, b.err, b.synced = after, err, synced
}

func (b *box) now() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return t0.Add(b.after + b.err)
}

func (b *box) install(in *Intake) {
	in.now, in.own.every = b.now, 10*time.Millisecond
	in.own.look = func(now time.Time) wallclock.Look {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.looks++
		return wallclock.Look{Wall: now, Up: b.after, Boot: "a", Synced: b.synced}
	}
}

// seen waits until the intake has looked at the clock as it is now and done
// what follows; it looks once a second.
func (b *box) seen(t *testing.T, x *house) {
	t.Helper()
	looks := func() int {
		b.mu.Lock()
		defer b.mu.Unlock()
		return b.looks
	}
	// The first may have read the clock before it was set; the second is done when
	// there is a third.
	before := looks()
	require.Eventually(t, func() bool { return looks() >= before+3 }, 20*time.Second, 10*time.Millisecond)
}

// live sends what a device says now, with what the clock shows as receive time.
func (b *box) live(t *testing.T, x *house, payload string, args ...any) {
	t.Helper()
	x.submit(t, message("elevator-1", "run", b.now(), payload, args...))
	x.settle(t)
}

func TestAWrongClockOfTheGatewayLosesNothingAndIsMended(t *testing.T) {
	for name, first := range map[string]time.Duration{
		"1970":                   time.Unix(0, 0).Sub(t0) + time.Minute,
		"of the last shutdown":   -3 * time.Hour,
		"plausible and behind":   -40 * time.Minute,
		"plausible and ahead":    2 * time.Hour,
		"ten years ahead":        87600 * time.Hour,
		"steps of a time server": 0,
	} {
		t.Run(name, func(t *testing.T) {
			b := &box{}
			path := t.TempDir() + "/journal.db"
			// Yesterday all was well.
			b.set(-time.Hour, 0, true)
			x := startWith(t, terminal(t, 1, 1), path, nil, b.install)
			b.live(t, x, `{"hours":100}`)
			require.NoError(t, x.stop())

			// Today it starts with a wrong clock, and no time service.
			b.set(0, first, false)
			x = startWith(t, terminal(t, 1, 1), path, nil, b.install)
			x.settle(t) // it has looked
			for i := range 4 {
				b.set(5*time.Minute+time.Duration(i)*time.Hour, first, false)
				b.live(t, x, `{"hours":%d.5}`, 100+i)
			}
			// The time service comes.
			b.set(4*time.Hour, 0, true)
			b.seen(t, x)
			b.live(t, x, `{"hours":104}`)
			x.flush(t)

			got := map[float64]time.Time{}
			require.NoError(t, x.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(40, 0, 0), func(r reading.Reading) error {
				require.Equal(t, r.At, r.Received)
				got[r.Value] = r.At
				return nil
			}))
			require.Len(t, got, 6, "nothing is lost")
			for i := range 4 {
				// To the second: the intake looks at the clock once a second.
				require.WithinDuration(t, t0.Add(5*time.Minute+time.Duration(i)*time.Hour), got[float64(100+i)+0.5], 2*time.Second, i)
			}
			require.Equal(t, t0.Add(-time.Hour), got[100], "what was right stays")
			require.Eventually(t, func() bool { return x.check(checkClock).Level == health.Ok }, 10*time.Second, time.Millisecond)
			a, err := x.h.Amount(context.Background(), "elevator-1", reading.Run, t0.Add(-2*time.Hour), t0.Add(5*time.Hour))
			require.NoError(t, err)
			require.InDelta(t, 4, a.Value, 0.01, "deltas as if the clock had been right")
		})
	}
}

func TestAStepBackIsNotFollowedAndSaid(t *testing.T) {
	b := &box{}
	x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, b.install)
	for i, err := range []time.Duration{0, -time.Hour, -time.Hour, 0} {
		b.set(time.Duration(i)*20*time.Minute, err, false)
		b.seen(t, x)
		b.live(t, x, `{"hours":%d}`, 100+i)
		if err != 0 {
			require.Equal(t, health.Warn, x.check(checkClock).Level)
			require.Contains(t, x.check(checkClock).What, "before what it showed earlier")
		}
	}
	var at []time.Time
	require.NoError(t, x.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error { at = append(at, r.At); return nil }))
	require.Len(t, at, 4)
	for i := range at {
		require.WithinDuration(t, t0.Add(time.Duration(i)*20*time.Minute), at[i], 2*time.Second)
	}
}

// A crash at any time must neither leave stamps wrong nor move them twice: that
// the clock is right is on disk with what was moved.
func TestThatTheClockIsRightIsWrittenWithWhatIsMoved(t *testing.T) {
	b := &box{}
	path := t.TempDir() + "/journal.db"
	b.set(0, -2*time.Hour, false)
	x := startWith(t, terminal(t, 1, 1), path, nil, b.install)
	b.set(time.Minute, -2*time.Hour, false)
	b.seen(t, x)
	b.live(t, x, `{"hours":100}`)
	ctx := context.Background()
	onDisk := func() string {
		r, err := journal.OpenReader(ctx, path, journal.Options{})
		require.NoError(t, err)
		defer r.Close()
		text, err := r.Remembered(ctx, clockNote)
		require.NoError(t, err)
		return text
	}
	require.NoError(t, x.j.SaveCounters(ctx))
	require.Contains(t, onDisk(), "doubt")
	b.set(time.Hour, 0, true)
	b.seen(t, x)
	x.settle(t)
	var at time.Time
	require.NoError(t, x.h.Readings(ctx, nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error { at = r.At; return nil }))
	require.WithinDuration(t, t0.Add(time.Minute), at, 2*time.Second, "moved")
	require.NotContains(t, onDisk(), "doubt")
}

// What cannot be undone goes by a time that is past for certain: not by a step
// of the clock that nobody has confirmed, and by none while the clock is wrong.
func TestWhatCannotBeUndoneGoesByNoDoubtfulClock(t *testing.T) {
	b := &box{}
	b.set(0, 0, false)
	x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, b.install)
	b.seen(t, x)
	now, ok := x.Past()
	require.True(t, ok)
	require.WithinDuration(t, t0, now, 2*time.Second)

	year := 365 * 24 * time.Hour
	b.set(time.Hour, year, false)
	b.seen(t, x)
	now, ok = x.Now()
	require.True(t, ok)
	require.WithinDuration(t, t0.Add(time.Hour+year), now, 2*time.Second, "a step forward is followed")
	now, ok = x.Past()
	require.True(t, ok)
	require.WithinDuration(t, t0.Add(time.Hour), now, 2*time.Second)

	b.set(2*time.Hour, year, true)
	b.seen(t, x)
	now, ok = x.Past()
	require.True(t, ok)
	require.WithinDuration(t, t0.Add(2*time.Hour+year), now, 2*time.Second, "confirmed")

	b.set(3*time.Hour, 0, false)
	b.seen(t, x)
	_, ok = x.Past()
	require.False(t, ok, "it has stepped back")
}
