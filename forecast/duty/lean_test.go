package duty_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/duty"
)

func noisyWeeks(days int, seed uint64) []duty.Day {
	r := rand.New(rand.NewPCG(seed, 1))
	out := make([]duty.Day, days)
	for i := range out {
		t := config.DayType(i % 7)
		amount := 0.0
		if t < config.Saturday {
			amount = 12 + 2*r.NormFloat64()
		}
		out[i] = duty.Day{Type: t, Amount: amount, Seen: 1}
	}
	return out
}

func TestALeanMovesWeightToItsGroupAndNoneChangesNothing(t *testing.T) {
	history := noisyWeeks(120, 7)
	plain := duty.Rules{MaxPerDay: 24}.Fit(history, nil)
	require.Equal(t, plain, duty.Rules{MaxPerDay: 24, Fleet: duty.Fleet{}}.Fit(history, nil))
	share := func(m duty.Model, g duty.Group) float64 {
		sum := 0.0
		for _, w := range m.Weights() {
			if w.Group == g {
				sum += w.Weight
			}
		}
		return sum
	}
	for g := range duty.Groups {
		rules := duty.Rules{MaxPerDay: 24}
		rules.Fleet.Lean[plain.Class()][g] = 2
		leaned := rules.Fit(history, nil)
		require.GreaterOrEqual(t, share(leaned, g), share(plain, g), g)
		require.NotEqual(t, "unknown", g.String())
	}
	rules := duty.Rules{MaxPerDay: 24}
	rules.Fleet.Lean[plain.Class()][duty.SlowDrift] = 3
	require.Greater(t, share(rules.Fit(history, nil), duty.SlowDrift), share(plain, duty.SlowDrift))
}

func TestPartsWithTheirWeightsMakeTheForecast(t *testing.T) {
	history := noisyWeeks(150, 3)
	m := duty.Rules{MaxPerDay: 24}.Fit(history, nil)
	ahead := make([]config.DayType, 60)
	for i := range ahead {
		ahead[i] = config.DayType((150 + i) % 7)
	}
	weights := map[duty.Group]float64{}
	for _, w := range m.Weights() {
		weights[w.Group] += w.Weight
	}
	parts := m.Parts(ahead, 1)
	require.NotEmpty(t, parts)
	heaviest := parts[0]
	for _, p := range parts {
		if p.LogWeight > heaviest.LogWeight {
			heaviest = p
		}
	}
	require.Zero(t, heaviest.LogWeight)
	require.Positive(t, weights[heaviest.Group])
	mix := m.Forecast(ahead, 1)
	require.InEpsilon(t, mix.MeanAt(60), heaviest.Curve.Mean[60], 0.1)
	require.Nil(t, duty.Rules{}.Fit(history[:20], nil).Parts(ahead, 1))
}

// The level wanders by 2 % a day under 10 % of noise, and weekends rest. Rest
// that is certain must not speak for members that take noise for swings.
func TestRestDaysDoNotSpeakForSwings(t *testing.T) {
	for seed := range uint64(6) {
		r := rand.New(rand.NewPCG(seed, 11))
		level := 10.0
		history := make([]duty.Day, 240)
		for i := range history {
			history[i] = duty.Day{Type: config.DayType(i % 7), Seen: 1}
			level *= math.Exp(0.02 * r.NormFloat64())
			if history[i].Type < config.Saturday {
				history[i].Amount = level * (1 + 0.1*r.NormFloat64())
			}
		}
		m := duty.Rules{MaxPerDay: 24}.Fit(history, nil)
		drifts := 0.0
		for _, w := range m.Weights() {
			if w.Group == duty.FastDrift || w.Group == duty.NewPattern || w.Name == "swings of weeks, large" {
				drifts += w.Weight
			}
		}
		require.Greater(t, drifts, 0.5, "seed %d: %v", seed, m.Weights())
	}
}
