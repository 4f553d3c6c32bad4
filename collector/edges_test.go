package collector

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// A gateway was away for three days and sends what it kept in one second. Pulses
// count on the days on which they happened, not on the day they arrived.
func TestEdgeBurstAfterReconnect(t *testing.T) {
	back := t0.Add(80 * time.Hour)
	send := func(received func(when time.Time) time.Time) *house {
		x := start(t, terminal(t, 1, 1))
		for i := range 6*80 + 1 {
			when := t0.Add(time.Duration(i) * 10 * time.Minute)
			// Two pulses in each hour that begins between 08:00 and 16:00 UTC.
			n := 16 * (i / 144)
			n += min(max((6*60+10*i%1440)/30-16, 0), 16)
			x.submit(t, message("d-1", "pulse", received(when), `{"count":%d,"at":%q}`, 1000+n, at(when)))
		}
		x.flush(t)
		return x
	}
	live := send(func(when time.Time) time.Time { return when.Add(time.Second) })
	burst := send(func(when time.Time) time.Time {
		if when.After(t0.Add(6*time.Hour)) && when.Before(back) {
			return back.Add(time.Second)
		}
		return when.Add(time.Second)
	})
	want := live.days(t, live.h, "d-1", reading.Pulse, "2026-03-01", "2026-03-10")
	require.Len(t, want, 4)
	for _, d := range want[:3] {
		require.InDelta(t, 16, d.Amount, 1e-9, "%s", d.Date)
	}
	require.Equal(t, want, burst.days(t, burst.h, "d-1", reading.Pulse, "2026-03-01", "2026-03-10"))
}

// The same without times of their own: nothing tells when what was kept
// happened, so it counts on the day it arrived. None of it is lost or counted
// twice, and the silence is not called seen.
func TestEdgeBurstWithoutTimes(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	for i := range 12 {
		x.submit(t, message("d-1", "pulse", t0.Add(time.Duration(i)*10*time.Minute), `{"count":%d}`, 1000+i))
	}
	back := t0.Add(74 * time.Hour)
	for i := 12; i < 200; i++ { // all that was kept, within two seconds
		x.submit(t, message("d-1", "pulse", back.Add(time.Duration(i)*10*time.Millisecond), `{"count":%d}`, 1000+i))
	}
	x.flush(t)
	total, days := 0.0, x.days(t, x.h, "d-1", reading.Pulse, "2026-03-01", "2026-03-10")
	for _, d := range days {
		total += d.Amount
	}
	require.InDelta(t, 199, total, 1e-6, fmt.Sprint(days))
	require.Len(t, days, 4)
	for _, d := range days[1:3] {
		require.Zero(t, d.Seen, "%s", d.Date)
	}
	require.Greater(t, days[3].Amount, 180.0)
}
