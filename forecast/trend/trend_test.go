package trend_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/trend"
)

// digits is the number of agreeing significant digits.
func digits(t *testing.T, want, got float64) float64 {
	t.Helper()
	if want == got {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func TestFitRefuses(t *testing.T) {
	flat := make([]float64, 30)
	for name, in := range map[string][2][]float64{
		"nothing":     {nil, nil},
		"too few":     {{1, 2, 3}, {1, 2, 3}},
		"no use":      {flat, flat},
		"not alike":   {flat, flat[:20]},
		"not numbers": {append([]float64{math.NaN()}, flat...), append([]float64{1}, flat...)},
	} {
		_, err := trend.Rate(in[0], in[1])
		require.ErrorIs(t, err, trend.ErrTooFew, name)
	}
	same := make([]float64, 30)
	for i := range same {
		same[i] = 7
	}
	_, err := trend.Drift(same, flat)
	require.ErrorIs(t, err, trend.ErrTooFew, "all on one day")
}

// The 90 % interval must hold the truth in some 90 % of histories, also where
// days are like their neighbours and weekends are idle.
func TestIntervalsCover(t *testing.T) {
	for _, c := range []struct {
		name     string
		days     int
		rho      float64
		drift    bool
		low, top float64
	}{
		{"rate, independent, 60 days", 60, 0, false, 0.86, 0.93},
		{"rate, independent, 180 days", 180, 0, false, 0.86, 0.93},
		{"rate, correlated, 90 days", 90, 0.5, false, 0.86, 0.93},
		{"rate, correlated, 180 days", 180, 0.7, false, 0.86, 0.93},
		{"drift, independent, 90 days", 90, 0, true, 0.86, 0.93},
		{"drift, correlated, 180 days", 180, 0.5, true, 0.86, 0.93},
	} {
		const runs = 1500
		hit := 0
		for k := range runs {
			r := rand.New(rand.NewPCG(7, uint64(k)))
			var x, y []float64
			e := r.NormFloat64() / math.Sqrt(1-c.rho*c.rho)
			for d := range c.days {
				e = c.rho*e + r.NormFloat64()
				h := 10 + 3*r.NormFloat64()
				if d%7 >= 5 {
					h = 0
				}
				h = math.Max(0, h)
				if c.drift {
					x, y = append(x, float64(d)), append(y, 5+0.01*float64(d)+0.5*e)
				} else {
					x, y = append(x, h), append(y, 0.025*h+0.1*e)
				}
			}
			truth := 0.025
			f, err := trend.Rate(x, y)
			if c.drift {
				truth = 0.01
				f, err = trend.Drift(x, y)
			}
			require.NoError(t, err)
			if f.Low <= truth && truth <= f.High {
				hit++
			}
		}
		got := float64(hit) / runs
		t.Logf("%s: %.3f", c.name, got)
		require.True(t, got >= c.low && got <= c.top, "%s: %.3f", c.name, got)
	}
}
