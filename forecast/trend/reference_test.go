package trend_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/internal/reference"
	"dwindle/forecast/trend"
)

func ones(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 1
	}
	return out
}

// powers gives 1, x, x^2 and so on.
func powers(x []float64, degree int) [][]float64 {
	out := [][]float64{ones(len(x))}
	for range degree {
		last := out[len(out)-1]
		next := make([]float64, len(x))
		for i := range x {
			next[i] = last[i] * x[i]
		}
		out = append(out, next)
	}
	return out
}

// The NIST sets against their certified values, to the digits that QR in
// double precision can give: Longley's regressors and the powers of Pontius and
// Wampler are nearly dependent on purpose. Wampler's certified standard errors
// are 0 for the first set, whose points lie on the curve.
func TestLinearAgainstNIST(t *testing.T) {
	for _, c := range []struct {
		name    string
		columns func(x [][]float64) [][]float64
		b, se   float64 // digits
	}{
		{"Norris", func(x [][]float64) [][]float64 { return powers(x[0], 1) }, 11, 11},
		{"NoInt1", func(x [][]float64) [][]float64 { return x }, 13, 13},
		{"NoInt2", func(x [][]float64) [][]float64 { return x }, 13, 13},
		{"Pontius", func(x [][]float64) [][]float64 { return powers(x[0], 2) }, 11, 11},
		{"Longley", func(x [][]float64) [][]float64 { return append([][]float64{ones(16)}, x...) }, 9, 9},
		{"Wampler1", func(x [][]float64) [][]float64 { return powers(x[0], 5) }, 8, 0},
		{"Wampler5", func(x [][]float64) [][]float64 { return powers(x[0], 5) }, 5.3, 8},
	} {
		s := reference.Set(t, c.name)
		f, err := trend.Linear(c.columns(s.X), s.Y, nil)
		require.NoError(t, err, c.name)
		require.Len(t, f.B, len(s.B), c.name)
		worst, worstSE := 15.0, 15.0
		for j := range s.B {
			worst = math.Min(worst, digits(t, s.B[j], f.B[j]))
			if c.se > 0 {
				worstSE = math.Min(worstSE, digits(t, s.SE[j], f.SE[j]))
			}
		}
		t.Logf("%s: %.1f digits of coefficients, %.1f of standard errors; condition %.2g", c.name, worst, worstSE, f.Condition)
		require.GreaterOrEqual(t, worst, c.b, c.name)
		require.GreaterOrEqual(t, worstSE, c.se, c.name)
		require.InDelta(t, s.R2, f.R2, 1e-12, c.name)
		if c.se > 0 {
			require.GreaterOrEqual(t, digits(t, s.ResidualSD, f.ResidualSD), c.se, c.name)
		}
	}
}

// R lm on speed and stopping distance of 50 cars, with weights 1/speed and
// without. Weighted by 1/x through the origin the slope is sum y over sum x.
func TestLinearAgainstR(t *testing.T) {
	speed, dist := reference.Column(t, "cars.csv", "speed"), reference.Column(t, "cars.csv", "dist")
	want := map[string]float64{}
	for _, r := range reference.Table(t, "cars_fits.csv") {
		want[r.Text("fit")+" "+r.Text("quantity")] = r.Number("value")
	}
	inverse := make([]float64, len(speed))
	var sumX, sumY float64
	for i, v := range speed {
		inverse[i] = 1 / v
		sumX += v
		sumY += dist[i]
	}
	for _, c := range []struct {
		name    string
		columns [][]float64
		weights []float64
		first   int
	}{
		{"weighted", powers(speed, 1), inverse, 0},
		{"weighted_origin", [][]float64{speed}, inverse, 1},
		{"plain", powers(speed, 1), nil, 0},
		{"origin", [][]float64{speed}, nil, 1},
		{"quadratic", powers(speed, 2), inverse, 0},
	} {
		f, err := trend.Linear(c.columns, dist, c.weights)
		require.NoError(t, err, c.name)
		for j := range f.B {
			k := string(rune('0' + c.first + j))
			require.InEpsilon(t, want[c.name+" b"+k], f.B[j], 1e-10, c.name)
			require.InEpsilon(t, want[c.name+" se"+k], f.SE[j], 1e-10, c.name)
		}
		require.InEpsilon(t, want[c.name+" sigma"], f.ResidualSD, 1e-11, c.name)
		require.InEpsilon(t, want[c.name+" r2"], f.R2, 1e-11, c.name)
		if c.name == "weighted_origin" {
			require.InEpsilon(t, sumY/sumX, f.B[0], 1e-14)
		}
	}
	// The prediction at 21, and that Rate and Drift, which are Linear's with
	// other errors, have the slopes.
	f, err := trend.Linear(powers(speed, 1), dist, nil)
	require.NoError(t, err)
	require.InEpsilon(t, want["plain predict21"], f.B[0]+21*f.B[1], 1e-12)
	drift, err := trend.Drift(speed, dist)
	require.NoError(t, err)
	require.InEpsilon(t, want["plain b1"], drift.Slope, 1e-12)
	require.InEpsilon(t, want["plain b0"], drift.Intercept, 1e-12)
	rate, err := trend.Rate(speed, dist)
	require.NoError(t, err)
	require.InEpsilon(t, want["origin b1"], rate.Slope, 1e-12)
}

func TestLinearRefuses(t *testing.T) {
	y := make([]float64, 70)
	week := make([][]float64, 7)
	for k := range week {
		week[k] = make([]float64, len(y))
		for i := range y {
			if i%7 == k {
				week[k][i] = 1
			}
		}
	}
	for i := range y {
		y[i] = float64(i%7) + 0.1*math.Sin(float64(i*i))
	}
	_, err := trend.Linear(week, y, nil)
	require.NoError(t, err, "a dummy for each weekday")
	_, err = trend.Linear(append([][]float64{ones(70)}, week...), y, nil)
	require.ErrorIs(t, err, trend.ErrCollinear, "the same beside a constant")
	require.ErrorContains(t, err, "8 columns")
	near := make([]float64, 70)
	for i := range near {
		near[i] = 2*week[0][i] + 1e-12*float64(i)
	}
	_, err = trend.Linear([][]float64{week[0], near}, y, nil)
	require.ErrorIs(t, err, trend.ErrCollinear)
	// Units are no dependence: seconds since 1970 beside a share.
	far := make([]float64, 70)
	for i := range far {
		far[i] = 1e9 * float64(i%5)
	}
	f, err := trend.Linear([][]float64{week[0], far}, y, nil)
	require.NoError(t, err)
	require.Less(t, f.Condition, 10.0)
	for name, in := range map[string]struct {
		columns [][]float64
		y, w    []float64
	}{
		"no columns":       {nil, y, nil},
		"too few":          {[][]float64{{1, 2}, {2, 1}}, []float64{1, 2}, nil},
		"all zero":         {[][]float64{make([]float64, 70)}, y, nil},
		"not alike":        {[][]float64{{1, 2, 3}}, y, nil},
		"not a number":     {[][]float64{append([]float64{math.NaN()}, y[1:]...)}, y, nil},
		"weights short":    {week[:2], y, []float64{1}},
		"weights of a few": {week[:2], y, append([]float64{1, 1}, make([]float64, 68)...)},
	} {
		_, err := trend.Linear(in.columns, in.y, in.w)
		require.ErrorIs(t, err, trend.ErrTooFew, name)
	}
	bad := ones(70)
	bad[3] = -1
	_, err = trend.Linear(week[:2], y, bad)
	require.ErrorContains(t, err, "weight 3")
}

// A rate that rises by a fifth over half a year is told from a machine that
// runs more and more, less often where days are like their neighbours, and the
// intervals hold the truth in some 90 % either way.
func TestTurn(t *testing.T) {
	const runs, days = 1500, 180
	for rho, seen := range map[float64]float64{0: 0.75, 0.6: 0.3} {
		hit, hitRate, crept := 0, 0, 0
		for k := range runs {
			r := rand.New(rand.NewPCG(11, uint64(k)))
			var day, x, y []float64
			e := r.NormFloat64() / math.Sqrt(1-rho*rho)
			for d := range days {
				e = rho*e + r.NormFloat64()
				if d%17 == 3 {
					continue // not seen
				}
				h := math.Max(0, 6+6*float64(d)/days+3*r.NormFloat64())
				if d%7 >= 5 {
					h = 0
				}
				middle := float64(days-1) / 2
				day, x, y = append(day, float64(d)), append(x, h), append(y, h*(0.025+0.005*(float64(d)-middle)/days)+0.05*e)
			}
			rate, change, err := trend.Turn(day, x, y)
			require.NoError(t, err)
			if change.Low <= 0.005/days && 0.005/days <= change.High {
				hit++
			}
			if rate.Low <= 0.025 && 0.025 <= rate.High {
				hitRate++
			}
			if change.Low > 0 {
				crept++
			}
		}
		t.Logf("correlation %g: change in %.3f, rate in %.3f, rise seen in %.3f", rho, float64(hit)/runs, float64(hitRate)/runs, float64(crept)/runs)
		require.InDelta(t, 0.9, float64(hit)/runs, 0.04)
		require.InDelta(t, 0.9, float64(hitRate)/runs, 0.04)
		require.Greater(t, float64(crept)/runs, seen)
	}
	_, _, err := trend.Turn([]float64{1, 2}, []float64{1, 2}, []float64{1, 2})
	require.ErrorIs(t, err, trend.ErrTooFew)
	same := ones(20)
	_, _, err = trend.Turn(same, same, same)
	require.ErrorIs(t, err, trend.ErrTooFew, "all on one day")
}

// The errors are those of leaving each block out and fitting anew.
func TestTurnErrorsAreTheJackknife(t *testing.T) {
	const n, blocks = 90, 9
	r := rand.New(rand.NewPCG(3, 3))
	day, x, y := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range day {
		day[i], x[i] = float64(i), 5+4*r.Float64()
		y[i] = x[i]*(0.03+0.0001*day[i]) + 0.1*r.NormFloat64()
	}
	fit := func(keep func(i int) bool) []float64 {
		var a, b, v []float64
		for i := range day {
			if keep(i) {
				a, b, v = append(a, x[i]), append(b, x[i]*(day[i]-44.5)), append(v, y[i])
			}
		}
		f, err := trend.Linear([][]float64{a, b}, v, nil)
		require.NoError(t, err)
		return f.B
	}
	all := fit(func(int) bool { return true })
	var square [2]float64
	for k := range blocks {
		left := fit(func(i int) bool { return i/10 != k })
		for j := range left {
			square[j] += (left[j] - all[j]) * (left[j] - all[j])
		}
	}
	rate, change, err := trend.Turn(day, x, y)
	require.NoError(t, err)
	require.InEpsilon(t, all[0], rate.Slope, 1e-12)
	require.InEpsilon(t, all[1], change.Slope, 1e-12)
	require.InEpsilon(t, math.Sqrt(square[0]*(blocks-1)/blocks), rate.SE, 1e-9)
	require.InEpsilon(t, math.Sqrt(square[1]*(blocks-1)/blocks), change.SE, 1e-9)
	require.Equal(t, 8.0, change.DF)
}

// The slope of a cumulative curve on its days looks many times surer than it
// is: over 90 independent days some twelve times. That of the daily increments
// says what it is good to.
func TestCumulativeCurvesDeceive(t *testing.T) {
	const runs, days = 400, 90
	var said, sum, squares float64
	hit := 0
	for k := range runs {
		r := rand.New(rand.NewPCG(23, uint64(k)))
		at, total, x, y := make([]float64, days), make([]float64, days), make([]float64, days), make([]float64, days)
		last := 0.0
		for d := range days {
			x[d], y[d] = 1, 10+3*r.NormFloat64()
			last += y[d]
			at[d], total[d] = float64(d+1), last
		}
		f, err := trend.Linear([][]float64{ones(days), at}, total, nil)
		require.NoError(t, err)
		said += f.SE[1] / runs
		sum += f.B[1] / runs
		squares += f.B[1] * f.B[1] / runs
		mean, err := trend.Rate(x, y)
		require.NoError(t, err)
		if mean.Low <= 10 && 10 <= mean.High {
			hit++
		}
	}
	require.InDelta(t, 12, math.Sqrt(squares-sum*sum)/said, 4)
	require.InDelta(t, 0.9, float64(hit)/runs, 0.04)
}
