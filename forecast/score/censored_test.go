package score

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// Weeks in remission of 21 patients, 12 of whom were only known to last longer
// (Freireich and others, The effect of 6-mercaptopurine on the duration of
// steroid-induced remissions in acute leukemia, 1963; data from memory). The
// shares are products of fractions: 18/21, 16/17, 14/15, 11/12, 10/11, 6/7, 5/6.
func TestProductLimit(t *testing.T) {
	known := []float64{6, 6, 6, 7, 10, 13, 16, 22, 23}
	bounds := []float64{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35}
	for limit, want := range map[float64]float64{
		5: 1, 6: 18. / 21, 7: .8067227, 9: .8067227, 10: .7529412, 13: .6901961, 16: .6274510, 22: .5378151, 23: .4481793, 35: .4481793,
	} {
		require.InDelta(t, want, ProductLimit(known, bounds, limit, true), 1e-7, "%g", limit)
	}
	require.Equal(t, 1.0, ProductLimit(known, bounds, 6, false))
	require.InDelta(t, .5378151, ProductLimit(known, bounds, 23, false), 1e-7)
	require.Equal(t, 1.0, ProductLimit(nil, bounds, 40, true))
	require.InDelta(t, .25, ProductLimit([]float64{1, 2, 3, 4}, nil, 3, true), 1e-15)
}

// With forecasts that are right, data that end early let only early truths
// through; with what is known of the others the shares come out right.
func TestUnfinishedCasesRightTheShares(t *testing.T) {
	r := rand.New(rand.NewPCG(31, 6))
	out := Outcomes{Name: "cut", Models: []string{"dwindle"}}
	law := normal{50, 10}
	for s := range 6000 {
		out.Series = append(out.Series, "")
		truth, end := law.mean+law.sd*r.NormFloat64(), 30+60*r.Float64()
		if truth <= end {
			out.Cases = append(out.Cases, Outcome{Series: int32(s), Truth: truth, Said: []Said{judge(law, truth, 400)}})
		} else {
			out.Unfinished = append(out.Unfinished, Unfinished{Series: int32(s), After: end, Chance: []float32{float32(law.Chance(end))}})
		}
	}
	l, ok := out.Set().Line("dwindle")
	require.True(t, ok)
	require.Less(t, l.AboveP90, .075, "of those that ended")
	require.InDelta(t, .1, l.WithUnfinished.AboveP90, .012)
	require.InDelta(t, .1, l.WithUnfinished.BelowP10, .012)
	require.InDelta(t, .8, l.WithUnfinished.Coverage80, .015)
}

func TestUnfinishedCasesAreKnownUpToTheFirstGap(t *testing.T) {
	mill := Series{First: civil.New(2026, 6, 1), Days: pastOf(repeat([7]float64{8, 8, 8, 8, 8, 8, 8}, 100)).Days}
	mill.Days[60] = duty.Day{Type: mill.Days[60].Type}
	mill.Days[50] = duty.Day{Type: config.ShutdownType} // nothing was due
	o := Options{Tau: []float64{10, 45}, First: 28, Every: 28, Last: 84, Forecasters: []Forecaster{last28{}, plan{}}}
	out, err := Backtest(context.Background(), "mill", []Series{mill}, o)
	require.NoError(t, err)
	var after []float64
	for _, u := range out.Unfinished {
		after = append(after, u.After)
		require.Less(t, u.Chance[0], float32(.5))
		require.Equal(t, float32(-1), u.Chance[1], "no plan")
	}
	// From day 28, 45 days run into the gap on day 60; from 56 both do; from 84
	// 45 days run past the end.
	require.Equal(t, []float64{32, 4, 4, 16}, after)
	require.Len(t, out.Cases, 2)
	require.True(t, slices.IsSortedFunc(out.Cases, func(a, b Outcome) int { return int(a.Origin - b.Origin) }))
	l, _ := out.Set().Line("last28")
	require.NotNil(t, l.WithUnfinished)
}

// A law that jumps at the truth puts it in the middle.
func TestPITOfAJump(t *testing.T) {
	require.Equal(t, float32(.5), judge(sample{7, 7}, 7, 400).PIT)
	require.Zero(t, judge(sample{7, 7}, 6, 400).PIT)
	require.Equal(t, float32(1), judge(sample{7, 7}, 8, 400).PIT)
}
