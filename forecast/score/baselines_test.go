package score

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// pastOf wraps daily duty that begins on a Monday.
func pastOf(amounts []float64) Past {
	p := Past{Ahead: make([]config.DayType, 400), Random: rand.New(rand.NewPCG(1, 1))}
	for i, a := range amounts {
		p.Days = append(p.Days, duty.Day{Type: config.DayType(i % 7), Amount: a, Seen: 1})
	}
	for i := range p.Ahead {
		p.Ahead[i] = config.DayType((len(amounts) + i) % 7)
	}
	return p
}

func repeat(week [7]float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = week[i%7]
	}
	return out
}

// Duty without noise leaves nothing to be unsure about.
func TestAllAreExactOnConstantDuty(t *testing.T) {
	p := pastOf(repeat([7]float64{8, 8, 8, 8, 8, 8, 8}, 100))
	p.Plan = &duty.Plan{PerWeek: 56}
	for _, f := range Forecasters() {
		forecast := f.Fit(p)
		require.NotNil(t, forecast, f.Name())
		r := forecast(8 * 41.5).Range()
		for i := range r {
			if f.Name() == "plan" && i != 1 {
				continue // a plan is never exact
			}
			require.InDelta(t, 41.5, r[i], 0.01, "%s %d", f.Name(), i)
		}
	}
}

func TestNamesAreThoseOfTheContract(t *testing.T) {
	var names []string
	for _, f := range Forecasters() {
		names = append(names, f.Name())
	}
	require.Equal(t, []string{"dwindle", "plan", "last28", "line", "daytypes", "bootstrap", "walk", "smoothing", "lastweek"}, names)
	require.Nil(t, plan{}.Fit(pastOf(repeat([7]float64{1}, 50))), "no plan, no line in the table")
}

func TestAllButTwoFollowTheCalendar(t *testing.T) {
	week := [7]float64{9, 9, 9, 9, 9, 0, 0}
	p := pastOf(repeat(week, 140))
	for i := 3; i < 17; i++ {
		p.Ahead[i] = config.ShutdownType
	}
	for _, f := range []Forecaster{dwindle{}, dayTypes{}, bootstrap{}, walk{}, smoothing{}, lastWeek{}} {
		// 27 h before the shutdown; 10 more start after it, on a Thursday.
		require.InDelta(t, 17+10.0/9, f.Fit(p)(37).Range()[1], 0.4, f.Name())
	}
	for _, f := range []Forecaster{last28{}, line{}} {
		require.Less(t, f.Fit(p)(37).Range()[1], 8.0, "%s knows no calendar", f.Name())
	}
}

func TestLast28IsTheClosedFormOfTheLastFourWeeks(t *testing.T) {
	x := make([]float64, 90)
	r := rand.New(rand.NewPCG(5, 6))
	for i := range x {
		x[i] = 10 + 3*r.NormFloat64()
	}
	mean, sd := stat.MeanStdDev(x[62:], nil)
	got := last28{}.Fit(pastOf(x))(400).Range()
	for i, p := range levels {
		want, ok := depletion.PosteriorQuantile(p, 400, mean, sd, 28)
		require.True(t, ok)
		require.InDelta(t, want, got[i], 1e-9)
	}
}

// The likely date of the line is where gonum's regression line of cumulative
// duty passes the budget.
func TestLineIsARegressionLine(t *testing.T) {
	x := make([]float64, 60)
	r := rand.New(rand.NewPCG(7, 8))
	at, cum, total := make([]float64, 60), make([]float64, 60), 0.0
	for i := range x {
		x[i] = 5 + 10*r.Float64()
		total += x[i]
		at[i], cum[i] = float64(i+1), total
	}
	a, b := stat.LinearRegression(at, cum, nil, false)
	want := (total+300-a)/b - 60
	require.InDelta(t, want, line{}.Fit(pastOf(x))(300).Range()[1], 1e-6)
}

// Annual flow of the Nile at Aswan, 1871-1970 (Durbin and Koopman, Time series
// analysis by state space methods, 2012). With observation variance 15099 and
// level variance 1469.1 the last level is 798.370292608 and the steady gain
// .2670480126 (computed with R 4.2.2 and statsmodels 0.13.5).
func TestWalkFiltersTheNile(t *testing.T) {
	nile := []float64{1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
		831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
		781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
		744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740}
	require.Len(t, nile, 100)
	flat := profile{mean: 1120}
	for k := range flat.shape {
		flat.shape[k], flat.g[k] = 1, 1
	}
	const h, q = 15099.0, 1469.1
	l := filterLevel(&flat, pastOf(nile).Days, q/h)
	require.InDelta(t, 798.370292608, l.x, 1e-6)
	// P of the next day over H is 5501.25794181 / 15099.
	require.InDelta(t, 5501.25794181/h, l.variance, 1e-9)
	require.InDelta(t, .2670480126, l.variance/(l.variance+1), 1e-9)
}

// Variance of a sum of t days of a pure local level: s2 (P t^2 + q (t-1) t
// (2t-1)/6 + t); P = .5, q = .025, s2 = 4, t = 30 give 2775.5.
func TestWalkSpreadsAsALocalLevel(t *testing.T) {
	flat := profile{mean: 10, s2: 4}
	for k := range flat.shape {
		// So much history that the profile itself is certain.
		flat.shape[k], flat.g[k], flat.count[k] = 1, 1, 1e12
	}
	c := level{x: 10, variance: .5, r: .025, s2: 4}.curve(&flat, pastOf(nil))
	require.InDelta(t, 2775.5, c.Var[30], 1e-6)
	require.InDelta(t, 300, c.Mean[30], 1e-9)
}

// Simple exponential smoothing of oil production from the first value:
// levels 484.80246538 (gain .2, squared error 12391.754881) and 501.83745447
// (gain .6, 8098.561206), computed with statsmodels 0.13.5; data from Hyndman
// and Athanasopoulos, Forecasting: principles and practice, 2018.
func TestSmoothingWithoutSeason(t *testing.T) {
	oil := []float64{446.6565, 454.4733, 455.663, 423.6322, 456.2713, 440.5881, 425.3325, 485.1494, 506.0482, 526.792, 514.2689, 494.211}
	start := smoothed{level: oil[0]}
	for gain, want := range map[float64][2]float64{.2: {484.80246538, 12391.754881}, .6: {501.83745447, 8098.561206}} {
		s := start.run(pastOf(oil), gain, 0)
		require.InDelta(t, want[0], s.level, 1e-8)
		require.InDelta(t, want[1], s.sse, 1e-5)
	}
}

func TestLastWeekRepeats(t *testing.T) {
	x := repeat([7]float64{3, 3, 3, 3, 3, 0, 0}, 70)
	copy(x[63:], []float64{8, 2, 8, 2, 8, 1, 0})
	r := lastWeek{}.Fit(pastOf(x))(29 + 8 + 1).Range()
	require.InDelta(t, 8.5, r[1], 1e-9, "a week, a Monday and half a Tuesday")
	require.Less(t, r[0], r[1])
}

// On independent days the replayed weeks agree with the normal sum.
func TestBootstrapAgreesWithTheNormalSum(t *testing.T) {
	x := make([]float64, 7*200)
	r := rand.New(rand.NewPCG(9, 9))
	for i := range x {
		x[i] = 10 + 3*r.NormFloat64()
	}
	got := bootstrap{}.Fit(pastOf(x))(1000).Range()
	mean, sd := stat.MeanStdDev(x, nil)
	for i, p := range levels {
		want, _ := depletion.PosteriorQuantile(p, 1000, mean, sd, 1e7)
		require.InDelta(t, want, got[i], 0.5)
	}
}

func TestSampleQuantiles(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	// Type 7 of Hyndman and Fan, computed with R quantile().
	for p, want := range map[float64]float64{.1: 1.9, .25: 3.25, .5: 5.5, .9: 9.1, 1: 10} {
		require.InDelta(t, want, sample(x).Quantile(p), 1e-12)
	}
	require.True(t, math.IsInf(sample{1, math.Inf(1), math.Inf(1)}.Quantile(0.75), 1))
}

// Short, patchy or odd pasts may give wide ranges but never nonsense.
func TestAllSurviveThinHistory(t *testing.T) {
	histories := map[string]Past{
		"two weeks":          pastOf(repeat([7]float64{5, 0, 5, 5, 5, 1, 0}, 14)),
		"one active weekday": pastOf(repeat([7]float64{0, 0, 9, 0, 0, 0, 0}, 60)),
	}
	gaps := pastOf(repeat([7]float64{5, 6, 5, 7, 5, 1, 0}, 60))
	for i := range gaps.Days {
		if i%3 == 1 {
			gaps.Days[i] = duty.Day{Type: gaps.Days[i].Type}
		}
	}
	histories["gaps"] = gaps
	stopped := pastOf(repeat([7]float64{5, 6, 5, 7, 5, 1, 0}, 60))
	for i := 40; i < 58; i++ {
		stopped.Days[i] = duty.Day{Type: config.ShutdownType, Seen: 1}
	}
	histories["after a shutdown"] = stopped
	for name, p := range histories {
		for _, f := range Forecasters() {
			forecast := f.Fit(p)
			if forecast == nil {
				continue
			}
			for _, budget := range []float64{0.5, 30, 1e5} {
				r := forecast(budget).Range()
				for i := range r {
					require.False(t, math.IsNaN(r[i]) || r[i] < 0, "%s, %s: %v", name, f.Name(), r)
				}
				require.True(t, r[0] <= r[1] && r[1] <= r[2], "%s, %s: %v", name, f.Name(), r)
			}
		}
	}
}

// Hours or pulses, small or large: duty and budget times k give the same dates,
// and more budget is never used up earlier.
func TestUnitsDoNotMatterAndMoreLastsLonger(t *testing.T) {
	for _, s := range Scenarios() {
		x := s.Simulate(8, 1)
		p := Past{Days: x.Days[:x.Origin], Ahead: x.Ahead(x.Origin, 400)}
		k := p
		k.Days = make([]duty.Day, x.Origin)
		for i, d := range p.Days {
			k.Days[i] = duty.Day{Type: d.Type, Amount: 137 * d.Amount, Seen: d.Seen}
		}
		budget := 40 * x.Trailing(x.Origin)
		require.Positive(t, budget, s)
		for _, f := range Forecasters() {
			ask := func(p Past, budget float64) Range {
				p.Random = rand.New(rand.NewPCG(2, 2))
				return f.Fit(p)(budget).Range()
			}
			if f.Name() == "plan" {
				continue
			}
			want, got, more := ask(p, budget), ask(k, 137*budget), ask(p, 1.2*budget)
			for i := range want {
				if math.IsInf(want[i], 1) {
					require.True(t, math.IsInf(got[i], 1))
					continue
				}
				require.InEpsilon(t, want[i], got[i], 1e-6, "%s on %s", f.Name(), s)
				require.GreaterOrEqual(t, more[i], want[i], "%s on %s", f.Name(), s)
			}
		}
	}
}
