package demo

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// TestRangesHoldTheTruth compares early and late dates with the day on which
// each reservoir of healthy plants really runs out when nobody changes it. An
// honest range from one chance in ten to nine in ten holds four in five.
func TestRangesHoldTheTruth(t *testing.T) {
	type tally struct{ n, in int }
	by := map[config.Evidence]*tally{config.EvidenceMeasured: {}, config.EvidenceCounted: {}, config.EvidenceNone: {}}
	bias := 0.0
	for seed := range uint64(2) {
		plant := simulate.New(simulate.Options{Seed: seed + 100, Healthy: true, ReportEvery: 2 * time.Hour})
		site, mem := plant.Site(), remember(t, plant)
		for _, back := range []int{0, 25, 50, 75, 100} {
			at := plant.End().AddDate(0, 0, -back)
			fleet, err := forecast.Pass(context.Background(), site, mem.asOf(at), at, forecast.Options{})
			require.NoError(t, err)
			for _, s := range fleet.States {
				truth, ok := plant.Truth(s.Row.Point, at)
				require.True(t, ok)
				if s.Row.EmptyP10 == nil || s.Row.EmptyP50 == nil || s.Row.EmptyP90 == nil || !truth.EmptyKnown {
					continue
				}
				day := site.Today(truth.Empty)
				x := by[s.Row.Evidence]
				x.n++
				if day >= *s.Row.EmptyP10 && day <= *s.Row.EmptyP90 {
					x.in++
				}
				bias += float64(*s.Row.EmptyP50 - day)
			}
		}
	}
	m, c := by[config.EvidenceMeasured], by[config.EvidenceCounted]
	t.Logf("measured: %d of %d in range; counted: %d of %d", m.in, m.n, c.in, c.n)
	// One machine's outage moves all dates of its points, so the cases are not
	// independent: the bounds are wide.
	require.Greater(t, m.n, 150)
	require.InDelta(t, 0.8, float64(m.in)/float64(m.n), 0.12)
	require.GreaterOrEqual(t, float64(c.in)/float64(c.n), 0.75, "counted evidence has to be the more careful")
	require.InDelta(t, 0, bias/float64(m.n+c.n), 4, "days, on average")
}
