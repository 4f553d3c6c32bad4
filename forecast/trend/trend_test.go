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

// NIST Statistical Reference Datasets, linear regression, Norris: 36 pairs (y,
// x) and certified values.
func TestStraightNorris(t *testing.T) {
	pairs := []float64{.1, .2, 338.8, 337.4, 118.1, 118.2, 888, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3, 998.5, 996.3, 449.1, 448.6,
		778.9, 777, 559.2, 558.2, .3, .4, .1, .6, 778.1, 775.5, 668.8, 666.9, 339.3, 338, 448.9, 447.5, 10.8, 11.6, 557.7, 556, 228.3, 228.1,
		998, 995.8, 888.8, 887.6, 119.6, 120.2, .3, .3, .6, .3, 557.6, 556.8, 339.3, 339.1, 888, 887.2, 998.5, 999, 778.9, 779, 10.2, 11.1,
		117.6, 118.3, 228.9, 229.2, 668.4, 669.1, 449.2, 448.9, .2, .5}
	var x, y []float64
	for i := 0; i < len(pairs); i += 2 {
		y, x = append(y, pairs[i]), append(x, pairs[i+1])
	}
	require.Len(t, x, 36)
	l, err := trend.Straight(x, y, false)
	require.NoError(t, err)
	for name, v := range map[string][2]float64{
		"intercept": {-.262323073774029, l.Intercept}, "intercept se": {.232818234301152, l.InterceptSE},
		"slope": {1.00211681802045, l.Slope}, "slope se": {.429796848199937e-3, l.SlopeSE},
		"residual sd": {.884796396144373, l.ResidualSD}, "R2": {.999993745883712, l.R2},
	} {
		require.GreaterOrEqual(t, digits(t, v[0], v[1]), 11.0, name)
	}
	// The honest error differs, the slope is the same.
	f, err := trend.Drift(x, y)
	require.NoError(t, err)
	require.Equal(t, l.Slope, f.Slope)
}

// NIST Statistical Reference Datasets, linear regression, NoInt1 and NoInt2:
// lines through the origin.
func TestStraightThroughOrigin(t *testing.T) {
	var x, y []float64
	for i := range 11 {
		x, y = append(x, float64(60+i)), append(y, float64(130+i))
	}
	l, err := trend.Straight(x, y, true)
	require.NoError(t, err)
	require.GreaterOrEqual(t, digits(t, 2.07438016528926, l.Slope), 11.0)
	require.GreaterOrEqual(t, digits(t, .0165289256198347, l.SlopeSE), 11.0)
	require.GreaterOrEqual(t, digits(t, 3.56753034006338, l.ResidualSD), 11.0)
	require.GreaterOrEqual(t, digits(t, .999365492298663, l.R2), 11.0)
	f, err := trend.Rate(x, y)
	require.NoError(t, err)
	require.Equal(t, l.Slope, f.Slope)

	l, err = trend.Straight([]float64{4, 5, 6}, []float64{3, 4, 4}, true)
	require.NoError(t, err)
	require.GreaterOrEqual(t, digits(t, .727272727272727, l.Slope), 11.0)
	require.GreaterOrEqual(t, digits(t, .0420827318078432, l.SlopeSE), 11.0)
	require.GreaterOrEqual(t, digits(t, .369274472937998, l.ResidualSD), 11.0)
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
	_, err := trend.Straight([]float64{1}, []float64{1}, false)
	require.ErrorIs(t, err, trend.ErrTooFew)
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
		{"rate, independent, 60 days", 60, 0, false, 0.86, 0.95},
		{"rate, independent, 180 days", 180, 0, false, 0.86, 0.94},
		{"rate, correlated, 90 days", 90, 0.5, false, 0.85, 0.95},
		{"rate, correlated, 180 days", 180, 0.7, false, 0.84, 0.94},
		{"drift, independent, 90 days", 90, 0, true, 0.86, 0.96},
		{"drift, correlated, 180 days", 180, 0.5, true, 0.83, 0.95},
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
