package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// A reservoir whose level goes on to read empty says since about when it has
// been, on fine scales and coarse; that nothing goes out of an empty one is no
// fault of its pump, and a change that nobody recorded shows there too.
func TestLevelReadsEmpty(t *testing.T) {
	for _, step := range []float64{1.25, 12.5} {
		s := gauged(t, step, 0.6, config.EvidenceMeasured)
		r := rand.New(rand.NewPCG(42, 1))
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		left := 125.0
		dry, refill := date(t, "2026-01-01")+100, date(t, "2026-01-01")+130
		for d := date(t, "2026-01-01"); d <= date(t, "2026-06-30"); d++ {
			past.AddDay("elev1", reading.Run, d, 24)
			if d == refill {
				left = 125
			}
			left = max(0, left-1.25)
			l := 0.0
			if left > 0 {
				l = math.Max(0, math.Round((left+0.6*r.NormFloat64())/step)*step)
			}
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, l)
		}
		s.Dispensers[0].Settings[0].CM3Per100h = 1.25 / 24 * 100
		past.Seal()
		for d := dry + 8; d < refill; d += 7 {
			got := one(t, s, past, d.End(s.Location()))
			require.NotNil(t, got.Row.EmptySince, "step %g, %s: %v left", step, d, *got.Row.RemainingCM3)
			require.InDelta(t, float64(dry), float64(*got.Row.EmptySince), 7, "step %g, %s", step, d)
			require.NotContains(t, []forecast.Verdict{forecast.Under, forecast.Over, forecast.NotDispensing}, got.Delivery.Verdict, got.Delivery.Why)
			require.Nil(t, got.Row.LevelRose)
		}
		got := one(t, s, past, (refill + 3).End(s.Location()))
		require.NotNil(t, got.Row.LevelRose)
		require.Nil(t, got.Row.EmptySince)
		require.InDelta(t, 120, *got.Row.RemainingCM3, 4)
	}
}
