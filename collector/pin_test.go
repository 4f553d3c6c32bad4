package collector

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/config/civil"
)

// questions is what a pass asks of a device, in its order.
func questions(t *testing.T, h *History, device string, kind reading.Kind, first civil.Date, at time.Time, loc *time.Location) []any {
	t.Helper()
	ctx := context.Background()
	var out []any
	keep := func(v any, err error) {
		require.NoError(t, err)
		out = append(out, v)
	}
	today := civil.Of(at, loc)
	days, err := h.Days(ctx, device, kind, first, today)
	keep(days, err)
	for i := range days { // whoever asked may change what was given
		days[i].Amount = -1
	}
	for _, from := range []time.Time{today.Start(loc), at.AddDate(0, 0, -3), at.Add(-100 * time.Minute), (today - 9).Start(loc).Add(7 * time.Hour)} {
		keep(h.Amount(ctx, device, kind, from, at))
		keep(h.Amount(ctx, device, kind, from, today.Start(loc).Add(3*time.Hour)))
	}
	keep(h.Levels(ctx, device, at.AddDate(0, 0, -20), at))
	keep(h.Levels(ctx, device, at.AddDate(0, 0, -2), at))
	seen, every, ok, err := h.LastSeen(ctx, device, at)
	keep([]any{seen, every, ok}, err)
	keep(h.Days(ctx, device, kind, first, today))
	return out
}

// A pinned history remembers; it must say the same to the last bit, for any
// past instant, with late readings about, beside the writer and in it.
func TestAPinnedHistoryAnswersTheSame(t *testing.T) {
	plant := simulate.New(simulate.Options{Seed: 3, Points: 8, Days: 40})
	site := plant.Site()
	path := filepath.Join(t.TempDir(), "journal.db")
	x := startAt(t, site, path)
	n := 0
	var late []reading.Message
	for m := range plant.Messages() {
		msg := reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}
		if n++; n%97 == 0 {
			late = append(late, msg)
			continue
		}
		x.submit(t, msg)
	}
	x.flush(t)
	x.submit(t, late...)
	x.settle(t) // committed, not derived
	reader, err := journal.OpenReader(context.Background(), path, journal.Options{})
	require.NoError(t, err)
	defer reader.Close()
	beside := NewHistory(reader, func() *config.Site { return site })
	loc := site.Location()
	first, _ := plant.Dates()
	for _, back := range []time.Duration{0, 31 * time.Hour, 9*24*time.Hour + 17*time.Minute, 30 * 24 * time.Hour} {
		at := plant.End().Add(-back)
		for _, h := range []*History{x.h, beside} {
			pinned, done := h.AsOf(at).Pin(context.Background())
			for _, m := range site.Machines {
				require.Equal(t, questions(t, h.AsOf(at), m.ID, reading.Run, first, at, loc), questions(t, pinned, m.ID, reading.Run, first, at, loc), "%s as of %s", m.ID, at)
			}
			for _, d := range site.Dispensers {
				for _, kind := range []reading.Kind{reading.Pulse, reading.Dose} {
					require.Equal(t, questions(t, h.AsOf(at), d.ID, kind, first, at, loc), questions(t, pinned, d.ID, kind, first, at, loc), "%s of %s as of %s", kind, d.ID, at)
				}
			}
			done()
		}
	}
}

// A pin shows each device as it was when first asked about, and gives its
// readers back.
func TestAPinHoldsItsMomentAndLetsGo(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	all := running("elevator-1", t0, 200)
	x.submit(t, all[:100]...)
	x.flush(t)
	ctx := context.Background()
	amount := func(h *History) float64 {
		a, err := h.Amount(ctx, "elevator-1", reading.Run, t0.Add(-time.Hour), t0.AddDate(0, 0, 3))
		require.NoError(t, err)
		return a.Value
	}
	for range 20 { // more often than there are readers
		pinned, done := x.h.Pin(ctx)
		before := amount(pinned)
		x.submit(t, all[100:]...)
		x.flush(t)
		require.Equal(t, before, amount(pinned))
		done()
	}
	require.Greater(t, amount(x.h), 8.0)
	ended, cancel := context.WithCancel(ctx)
	pinned, done := x.h.Pin(ended)
	cancel()
	_, err := pinned.Amount(ended, "elevator-1", reading.Run, t0, t0.AddDate(0, 0, 3))
	require.ErrorIs(t, err, context.Canceled)
	done()
}
