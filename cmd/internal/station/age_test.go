package station_test

import (
	"context"
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

// Forecasts are the same to the last bit when old readings are gone, and when
// all that can be is derived anew after that.
func TestForecastsDoNotChangeWhenReadingsAge(t *testing.T) {
	plant := simulate.New(simulate.Options{Seed: 900, Points: 10, Days: 240, ReportEvery: 12 * time.Hour})
	site := plant.Site()
	ctx := context.Background()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"), journal.Options{})
	require.NoError(t, err)
	defer j.Close()
	in := collector.NewIntake(func() *config.Site { return site }, j, health.New(nil), nil)
	defer running(t, in)()
	require.NoError(t, in.Record(ctx, plant.Facts()...))
	for m := range plant.Messages() {
		require.NoError(t, in.Submit(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}))
	}
	require.NoError(t, in.Flush(ctx))
	history := collector.NewHistory(j, func() *config.Site { return site })
	pass := func(h *collector.History) string {
		past, done := h.AsOf(plant.End()).Pin(ctx)
		defer done()
		fleet, err := forecast.Pass(ctx, site, past, plant.End(), forecast.Options{})
		require.NoError(t, err)
		return passText(t, site, fleet)
	}
	over := history.Round()
	before := pass(history)
	over(true)
	needs, ok := history.Needs()
	require.True(t, ok)
	gone, err := in.Age(ctx, plant.End().AddDate(0, 0, -70), needs)
	require.NoError(t, err)
	require.Positive(t, gone)
	p, err := journal.Verify(ctx, j.Path())
	require.NoError(t, err)
	t.Logf("%d readings gone, %d left", gone, p.Readings)
	fresh := func() *collector.History {
		return collector.NewHistory(j, func() *config.Site { return site })
	}
	require.Equal(t, before, pass(fresh()))
	require.NoError(t, in.Rebuild(ctx))
	require.Equal(t, before, pass(fresh()))
}
