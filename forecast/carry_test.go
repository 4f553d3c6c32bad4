package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// A new reservoir does not mend a half blocked line: the verdict stays, says
// that it is older than the fill, and goes soon when the line was mended too.
func TestVerdictOutlivesAChange(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	fault, changed := date(t, "2026-02-01"), date(t, "2026-03-15")
	for _, mended := range []bool{false, true} {
		r := rand.New(rand.NewPCG(7, 1))
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		c := change(changed.Start(s.Location()), 125)
		c.ID = "c2"
		past.AddFact(c)
		left := 125.0
		for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
			if d == changed {
				left = 125
			}
			f := 1.0
			if d >= fault && (d < changed || !mended) {
				f = 0.5
			}
			past.AddDay("elev1", reading.Run, d, 20)
			left -= 0.5 * f
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, math.Round((left+0.6*r.NormFloat64())/1.25)*1.25)
		}
		past.Seal()
		sound := 0
		for i := range 40 {
			now := (changed + civil.Date(i+1)).Start(s.Location())
			got := one(t, s, past, now)
			switch v := got.Delivery.Verdict; {
			case !mended:
				require.Equal(t, forecast.Under, v, "day %d: %s", i+1, got.Delivery.Why)
				require.InDelta(t, 0.5, *got.Row.DeliveryFactor, 0.15, "day %d", i+1)
				if i < 3 {
					require.Contains(t, got.Delivery.Why, "since before the change on 15 Mar")
				}
			case v != forecast.Under && sound == 0:
				sound = i + 1
			}
		}
		if mended {
			t.Logf("taken off %d days after the change", sound)
			require.NotZero(t, sound)
			require.LessOrEqual(t, sound, 20)
		}
	}
}
