package duty

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// What is kept of a model says the same chances as the model, on every rung.
func TestAKeptModelForecastsAsTheModel(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	rungs := map[string]bool{}
	for _, n := range []int{0, 5, 20, 60, 200, 390} {
		for range 20 {
			history := make([]Day, n)
			level := 8.0
			for i := range history {
				level *= 1 + 0.05*r.NormFloat64()
				d := Day{Type: config.DayType(i % 7), Seen: 1}
				if d.Type < config.Saturday && r.Float64() > 0.05 {
					d.Amount = max(0, level*(1+0.2*r.NormFloat64()))
				}
				if i%90 > 84 {
					d.Amount = 0
				}
				history[i] = d
			}
			m := Rules{MaxPerDay: 24}.Fit(history, &Plan{PerWeek: 40})
			rungs[m.Rung()] = true
			ahead := make([]config.DayType, 120)
			for i := range ahead {
				ahead[i] = config.DayType((n + i) % 7)
			}
			ahead[40] = config.HolidayType
			want, got := m.Forecast(ahead, 0.4), m.Keep().Forecast(ahead, 0.4)
			require.Equal(t, len(want.Curves), len(got.Curves))
			for _, budget := range []depletion.Budget{{Mean: 50, Var: 4}, {Mean: 300, Var: 400}} {
				for d := 0.5; d < 110; d += 3 {
					require.InDelta(t, want.Chance(d, budget), got.Chance(d, budget), 1e-5)
				}
			}
		}
	}
	require.Len(t, rungs, 3, "plan, day types and mixture")
}
