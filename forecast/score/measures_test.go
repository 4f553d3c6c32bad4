package score

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Expected figures computed with R 4.2.2 (quantiles 50, 60, 72).
func TestMeasures(t *testing.T) {
	r := Range{50, 60, 72}
	for _, c := range []struct {
		truth                    float64
		pinball                  [3]float64
		mean, interval, weighted float64
	}{
		{55, [3]float64{.5, 2.5, 1.7}, 1.566667, 22, 3.133333},
		{66, [3]float64{1.6, 3, .6}, 1.733333, 22, 3.466667},
		{80, [3]float64{3, 10, 7.2}, 6.733333, 102, 13.466667},
		{45, [3]float64{4.5, 7.5, 2.7}, 4.9, 72, 9.8},
	} {
		for i, p := range levels {
			require.InDelta(t, c.pinball[i], Pinball(p, r[i], c.truth), 1e-12)
		}
		require.InDelta(t, c.mean, MeanPinball(r, c.truth), 1e-6)
		require.InDelta(t, c.interval, IntervalScore(r, c.truth), 1e-9)
		require.InDelta(t, c.weighted, WeightedInterval(r, c.truth), 1e-6)
		require.InDelta(t, 2*MeanPinball(r, c.truth), WeightedInterval(r, c.truth), 1e-12)
	}
}
