package station_test

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// What a pass says of a journal is the same to the last bit for any number of
// workers, read ahead or one device at a time, and whether all is derived or the
// last readings have still to be folded in.
func TestAPassOverAJournalIsTheSameForAnyWorkers(t *testing.T) {
	plant := simulate.New(simulate.Options{Seed: 3, Points: 80, Days: 50, ReportEvery: 12 * time.Hour})
	site := plant.Site()
	ctx := context.Background()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"), journal.Options{})
	require.NoError(t, err)
	defer j.Close()
	in := collector.NewIntake(func() *config.Site { return site }, j, health.New(nil), nil)
	end := running(t, in)
	require.NoError(t, in.Record(ctx, plant.Facts()...))
	var late []reading.Message
	for m := range plant.Messages() {
		x := reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}
		if m.At.After(plant.End().Add(-30 * time.Hour)) {
			late = append(late, x)
			continue
		}
		require.NoError(t, in.Submit(ctx, x))
	}
	require.NoError(t, in.Flush(ctx))
	for _, m := range late {
		require.NoError(t, in.Submit(ctx, m))
	}
	end()

	history := collector.NewHistory(j, func() *config.Site { return site })
	pinned, done := history.Pin(ctx)
	defer done()
	for _, at := range []time.Time{plant.End(), plant.End().Add(-50 * time.Hour)} {
		pass := func(src forecast.Source, workers int) string {
			f, err := forecast.Pass(ctx, site, src, at, forecast.Options{Workers: workers})
			require.NoError(t, err)
			return passText(t, site, f)
		}
		want := pass(struct{ forecast.Source }{history.AsOf(at)}, 1)
		require.Contains(t, want, "empty_p50")
		for _, n := range []int{1, 2, 8} {
			require.Equal(t, want, pass(history.AsOf(at), n), "%d workers", n)
		}
		require.Equal(t, want, pass(struct{ forecast.Source }{pinned.AsOf(at)}, 2), "one device at a time")
	}
}

// running lets an intake take what comes until end is called.
func running(t testing.TB, in *collector.Intake) (end func()) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	return func() {
		stop()
		require.ErrorIs(t, <-ended, context.Canceled)
	}
}

// passText is all that a pass says.
func passText(t *testing.T, site *config.Site, f forecast.Fleet) string {
	var all []any
	for i := range f.States {
		st := &f.States[i]
		all = append(all, st.Row, st.Delivery, st.Counted, st.Device, st.Setting, st.LastChange, st.RunHoursSinceDose, st.NewestDuty, st.NewestLevel)
		if st.ChanceBefore != nil {
			all = append(all, st.ChanceBefore(site.Today(f.At)+30))
		}
	}
	text, err := json.Marshal(all)
	require.NoError(t, err)
	return string(text)
}
