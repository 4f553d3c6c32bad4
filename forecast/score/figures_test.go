//go:build !race

// Figures over thousands of cases, which the race detector would take many
// minutes for: make test runs them without it.

package score

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// What the baselines and the static model scored in an independent
// implementation of the same protocol (mean pinball/T over the eight
// scenarios, one seed, 400 series each: .0526, .0872, .0389, .0386, .0894),
// so that the yardsticks here are neither weaker nor easier.
func TestSimulationReproducesKnownFigures(t *testing.T) {
	sets, err := Simulation(context.Background(), 150, Options{Seed: 1})
	require.NoError(t, err)
	r := Summarise(sets...)
	all := r.Sets[len(r.Sets)-1]
	require.Equal(t, "all", all.Name)
	require.Greater(t, all.Cases, 3500)
	for model, want := range map[string]float64{"last28": .0526, "line": .0872, "daytypes": .0389, "bootstrap": .0386, "smoothing": .0894, "walk": .0531} {
		l, ok := all.Line(model)
		require.True(t, ok)
		require.InEpsilon(t, want, l.PinballOverT, 0.25, model)
	}
	ours, _ := all.Line("dwindle")
	static, _ := all.Line("daytypes")
	last28, _ := all.Line("last28")
	require.Less(t, ours.PinballOverT, 0.87*static.PinballOverT)
	require.Less(t, ours.PinballOverT, 0.65*last28.PinballOverT)
	require.InDelta(t, 0.80, ours.Coverage80, 0.03)
	// Three cases of a series share its history: 450 cases are worth about 250,
	// two standard errors are 5 points, and of a ratio of scores 5 to 10 %.
	for _, s := range r.Sets {
		l, _ := s.Line("dwindle")
		require.InDelta(t, 0.80, l.Coverage80, 0.06, s.Name)
		require.Less(t, l.BelowP10, 0.15, s.Name)
		require.Less(t, l.AboveP90, 0.15, s.Name)
		for _, other := range s.Models {
			if other.Model != "dwindle" {
				require.Less(t, l.PinballOverT, 1.10*other.PinballOverT, "%s, %s", s.Name, other.Model)
			}
		}
	}
	require.Less(t, ours.BelowP10, 0.13)
	require.Less(t, ours.AboveP90, 0.13)
}

// Rolling origins on real counters: independent figures for the same 10,224
// cases are .0158 (last 28 days), .0203 (static day types), .0153 (last week
// repeated) and .0138 (random-walk level).
func TestAirports(t *testing.T) {
	series, err := ReadFile(testdata("airport-departures-2001.csv.gz"))
	require.NoError(t, err)
	require.Len(t, series, 213)
	require.Equal(t, "2001-01-01", series[0].First.String())
	require.Equal(t, config.Monday, series[0].Days[0].Type)
	set, err := backtest(context.Background(), "airports", series, Options{Spans: []int{10, 30, 50}, First: 35, Last: 151,
		Forecasters: []Forecaster{dwindle{}, last28{}, dayTypes{}, lastWeek{}, walk{}}})
	require.NoError(t, err)
	require.Equal(t, 10224, set.Cases)
	for model, want := range map[string]float64{"last28": .0158, "lastweek": .0153, "walk": .0138, "daytypes": .0203} {
		l, _ := set.Line(model)
		require.InEpsilon(t, want, l.PinballOverT, 0.05, model)
	}
	ours, _ := set.Line("dwindle")
	best, _ := set.Line("walk")
	require.Less(t, ours.PinballOverT, 1.01*best.PinballOverT)
	require.LessOrEqual(t, ours.PinballOverT, .0136+.00005)
	require.InDelta(t, 0.80, ours.Coverage80, 0.03)
	require.Less(t, ours.BelowP10, 0.13)
	require.Less(t, ours.AboveP90, 0.13)
}
