package duty

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// What is kept of a model forecasts as the model does, on every rung.
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
			require.Equal(t, m.Forecast(ahead, 0.4), m.Keep().Forecast(ahead, 0.4))
		}
	}
	require.Len(t, rungs, 3, "of the ladder")
}
