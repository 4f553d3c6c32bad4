package score

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/internal/reference"
)

// R: pinball losses, interval score and weighted interval score of 50, 60, 72.
func TestMeasuresAgainstR(t *testing.T) {
	r := Range{50, 60, 72}
	for _, row := range reference.Table(t, "scores.csv") {
		truth := row.Number("truth")
		for i, name := range []string{"pinball10", "pinball50", "pinball90"} {
			require.InDelta(t, row.Number(name), Pinball(levels[i], r[i], truth), 1e-12)
		}
		require.InDelta(t, row.Number("mean"), MeanPinball(r, truth), 1e-12)
		require.InDelta(t, row.Number("interval"), IntervalScore(r, truth), 1e-12)
		require.InDelta(t, row.Number("weighted"), WeightedInterval(r, truth), 1e-12)
	}
}

// statsmodels SimpleExpSmoothing from the first value, without seasons.
func TestSmoothingAgainstStatsmodels(t *testing.T) {
	oil := []float64{446.6565, 454.4733, 455.663, 423.6322, 456.2713, 440.5881, 425.3325, 485.1494, 506.0482, 526.792, 514.2689, 494.211}
	for _, row := range reference.Table(t, "smoothing.csv") {
		s := smoothed{level: oil[0]}.run(pastOf(oil), row.Number("gain"), 0)
		require.InEpsilon(t, row.Number("level"), s.level, 1e-13)
		require.InEpsilon(t, row.Number("sse"), s.sse, 1e-13)
	}
}

// statsmodels UnobservedComponents, exactly diffuse: the Nile's level and its
// variance for the year after the last, variances 15099 and 1469.1. The walk's
// own prior has died away by then.
func TestWalkAgainstStatsmodels(t *testing.T) {
	const h, q = 15099.0, 1469.1
	flat := profile{mean: 1120}
	for k := range flat.shape {
		flat.shape[k], flat.g[k] = 1, 1
	}
	l := filterLevel(&flat, pastOf(reference.Column(t, "nile.csv", "flow")).Days, q/h)
	rows := reference.Table(t, "nile_filter.csv")
	last := rows[len(rows)-1]
	require.InEpsilon(t, last.Number("a"), l.x, 1e-9)
	require.InEpsilon(t, last.Number("P"), h*l.variance, 1e-9)
}
