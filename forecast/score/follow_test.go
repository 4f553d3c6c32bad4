package score

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config/civil"
)

// stretched is sure that the budget lasts so many times what it will at 8 a
// day.
type stretched float64

func (stretched) Name() string { return "stretched" }

func (f stretched) Fit(Past) func(float64) Law {
	return func(budget float64) Law {
		t := float64(f) * budget / 8
		return sample{t, t}
	}
}

// A reservoir of 50 days, forecast on days 0, 7 ... 49, when 50, 43 ... 1 days
// are left. The tolerance is 10 days of the end; at half-time 5 of 25 days.
func TestPrognosticHorizon(t *testing.T) {
	mill := Series{First: civil.New(2026, 6, 1), Days: pastOf(repeat([7]float64{8, 8, 8, 8, 8, 8, 8}, 100)).Days}
	for _, c := range []struct {
		by   float64
		want Prognosis
	}{
		{1, Prognosis{Horizon: 50, Within: true, Relative: 1}},
		{1.15, Prognosis{Horizon: 50, Within: true, Relative: .85}},
		// Off by half of what is left: within 10 days from 20 days on, which
		// the forecast at 15 days is the first to see.
		{1.5, Prognosis{Horizon: 15, Relative: .5}},
		{.5, Prognosis{Horizon: 15, Relative: .5}},
		// Off by 12 times what is left: not even on the last day.
		{13, Prognosis{Relative: -11}},
	} {
		o := Options{Tau: []float64{50}, First: 28, Last: 28, Follow: 5, Forecasters: []Forecaster{stretched(c.by), plan{}}}
		out, err := Backtest(context.Background(), "mill", []Series{mill}, o)
		require.NoError(t, err)
		require.Len(t, out.Paths, 1, "no more than there are")
		p := out.Paths[0]
		require.InDelta(t, 50, p.Truth, 1e-9)
		require.InDelta(t, c.want.Horizon, p.Said[0].Horizon, 1e-9, "%g", c.by)
		require.InDelta(t, c.want.Relative, p.Said[0].Relative, 1e-9, "%g", c.by)
		require.Equal(t, c.want.Within, p.Said[0].Within, "%g", c.by)
		require.True(t, p.Said[1].None, "no plan, no prognosis")
		l, ok := out.Set().Line("stretched")
		require.True(t, ok)
		require.InDelta(t, c.want.Horizon/50, *l.PrognosticHorizonOverT, 1e-9)
	}
}

// The last weeks of a machine that stands still give nothing to forecast from:
// half-time moves back to the last day that does.
func TestFollowStepsOverAStandstill(t *testing.T) {
	x := repeat([7]float64{8, 8, 8, 8, 8, 8, 8}, 200)
	clear(x[60:120]) // from day 32 of the reservoir to day 92
	mill := Series{First: civil.New(2026, 6, 1), Days: pastOf(x).Days}
	o := Options{Tau: []float64{60}, First: 28, Last: 28, Follow: 1, Forecasters: []Forecaster{stretched(1)}}
	out, err := Backtest(context.Background(), "mill", []Series{mill}, o)
	require.NoError(t, err)
	require.Len(t, out.Paths, 1)
	require.InDelta(t, 120, out.Paths[0].Truth, 1e-9)
	// Half-time, day 60, has 28 days without use behind it; on day 59, 61 days
	// and 28 days of use are left.
	require.InDelta(t, 28.0/61, out.Paths[0].Said[0].Relative, 1e-9)
}
