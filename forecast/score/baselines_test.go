package score

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
	"dwindle/forecast/internal/reference"
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
				// Where a stop may come, P90 lies where hardly any chance is
				// left to gain, and rounding moves it by an hour.
				near := 1e-6
				if s == Outages && f.Name() == "dwindle" {
					near = 2e-3
				}
				require.InEpsilon(t, want[i], got[i], near, "%s on %s", f.Name(), s)
				require.GreaterOrEqual(t, more[i], want[i], "%s on %s", f.Name(), s)
			}
		}
	}
}

// The plan's likely date is budget over planned duty a day, shutdowns stepped
// over.
func TestPlanIsItsArithmetic(t *testing.T) {
	p := pastOf(repeat([7]float64{9, 9, 9, 9, 9, 0, 0}, 60))
	p.Plan = &duty.Plan{PerWeek: 84}
	r := plan{}.Fit(p)(480).Range()
	require.InDelta(t, 40, r[1], 1e-9, "480 h at 84 h a week, whatever history says")
	require.True(t, r[0] < r[1] && r[1] < r[2])
	for i := 10; i < 24; i++ {
		p.Ahead[i] = config.ShutdownType
	}
	require.InDelta(t, 54, plan{}.Fit(p)(480).Range()[1], 1e-9)
}

// 1000 units at 20 a day, deviation 5, learned from 10 days: SciPy 1.10.1, by
// root finding.
func TestLast28AgainstTheExactPosterior(t *testing.T) {
	half := 5 * math.Sqrt(.9) // ten days at 20 -+ half have deviation 5
	x := make([]float64, 10)
	for i := range x {
		x[i] = 20 + half*float64(2*(i%2)-1)
	}
	law := last28{}.Fit(pastOf(x))(1000)
	for p, want := range map[float64]float64{.05: 43.071281543, .1: 44.604017858, .5: 50, .9: 56.726921599, .95: 59.288486382} {
		require.InDelta(t, want, law.Quantile(p), 1e-8)
		require.InDelta(t, p, law.Chance(want), 1e-9)
	}
}

// R's prediction band of the line through cumulative duty: the curve has
// passed the band's upper limit with a chance of .1, its lower with .9.
func TestLineAgainstR(t *testing.T) {
	ask := line{}.Fit(pastOf(reference.Column(t, "baseline_days.csv", "duty")))
	for _, row := range reference.Table(t, "line_band.csv") {
		ahead, total := row.Number("ahead"), row.Number("total")
		for name, want := range map[string]float64{"lower": .9, "fit": .5, "upper": .1} {
			require.InDelta(t, want, ask(row.Number(name)-total).Chance(ahead), 1e-9, "%s, %g days on", name, ahead)
		}
	}
}

// Monday to Friday 16 h, deviation 3; Saturday 6 and 4; Sunday none; all known.
// 1000 h from a Monday: chances of days 78 to 86, and the moments of 85 days
// (computed with R 4.2.2).
func TestDayTypesOfAKnownWeek(t *testing.T) {
	f := profile{mean: 1}
	for k := range config.ShutdownType {
		f.shape[k], f.g[k], f.count[k] = 16, 9, 1e12
	}
	f.shape[config.Saturday], f.g[config.Saturday] = 6, 16
	f.shape[config.Sunday], f.g[config.Sunday] = 0, 0
	c := f.steady(pastOf(nil).Ahead, math.Inf(1), 1, 0)
	require.InDelta(t, 1048, c.Mean[85], 1e-9)
	require.InDelta(t, 741, c.Var[85], 1e-6)
	law := lasting(c)(1000)
	for i, want := range []float64{.072526, .200978, .410172, .646575, .834392, .881547, .881547, .961077, .990279} {
		require.InDelta(t, want, law.Chance(float64(78+i)), 1e-6, "day %d", 78+i)
	}
	r := law.Range()
	require.Equal(t, [3]float64{79, 81, 85}, [3]float64{math.Ceil(r[0]), math.Ceil(r[1]), math.Ceil(r[2])})
}

// With a flat week the static model is a discounted mean with its own standard
// error: the day's variance for each day ahead, and for the mean the square of
// the days ahead over the weight of the days behind.
func TestDayTypesOfAFlatWeek(t *testing.T) {
	const n = 1400
	r := rand.New(rand.NewPCG(41, 1))
	x := make([]float64, n)
	var weight, mean float64
	for i := range x {
		x[i] = 10 + 2*r.NormFloat64()
		w := math.Pow(profileDiscount, float64(n-1-i))
		weight += w
		mean += w * x[i]
	}
	mean /= weight
	law := dayTypes{}.Fit(pastOf(x))(10 * mean * 30)
	require.InDelta(t, 300, law.Quantile(.5), 1, "some weekdays seem busier")
	sd := math.Sqrt(4*300+4*300*300/weight) / mean
	require.InEpsilon(t, 2*1.2816*sd, law.Quantile(.9)-law.Quantile(.1), .05)
}

// Two weeks of history, one of 7 a day and one of 14, drawn again with even
// chances: the law of a budget of 490 follows by counting. After k weeks of
// which j were busy 49 (k + j) are used, and the budget ends within the week
// that passes it.
func TestBootstrapAgainstTheExactLaw(t *testing.T) {
	x := append(repeated(7, 7), repeated(14, 7)...)
	exact := func(at float64) float64 {
		chance := 0.0
		var walk func(left, day, p float64)
		walk = func(left, day, p float64) {
			for _, perDay := range []float64{7, 14} {
				if left <= 7*perDay {
					if day+left/perDay <= at {
						chance += p / 2
					}
				} else {
					walk(left-7*perDay, day+7, p/2)
				}
			}
		}
		walk(490, 0, 1)
		return chance
	}
	// Away from the jumps of the law, which are at whole days and halves.
	times := []float64{38.2, 42.2, 45.7, 49.2, 52.7, 56.2, 59.7, 64.2}
	got := make([]float64, len(times))
	const rounds = 100
	for round := range rounds {
		p := pastOf(x)
		p.Random = rand.New(rand.NewPCG(12, uint64(round)))
		law := bootstrap{}.Fit(p)(490)
		for i, at := range times {
			got[i] += law.Chance(at) / rounds
		}
	}
	for i, at := range times {
		// Standard error of 40,000 draws: at most .0025; between two times
		// drawn the law is interpolated, by at most one draw.
		require.InDelta(t, exact(at), got[i], .011, "day %g", at)
	}
	require.Greater(t, exact(64.2)-exact(38.2), .9)
}

// Weeks keep their weekdays: no duty on the days that never had any.
func TestBootstrapKeepsTheWeekday(t *testing.T) {
	x := repeat([7]float64{9, 9, 9, 9, 9, 0, 0}, 140)
	for _, c := range []struct{ budget, want float64 }{{45, 5}, {46, 7 + 1.0/9}, {90, 12}} {
		r := bootstrap{}.Fit(pastOf(x))(c.budget).Range()
		require.InDelta(t, c.want, r[1], 1e-9)
		require.InDelta(t, c.want, r[2], 1e-9)
	}
}

// The walk's gain settles at (-r + sqrt(r^2 + 4 r))/2 of the level's step
// variance r in units of one day's (Muth, Optimal properties of exponentially
// weighted forecasts, 1960; from memory).
func TestWalkSettlesAtItsGain(t *testing.T) {
	flat := profile{mean: 10}
	for k := range flat.shape {
		flat.shape[k], flat.g[k] = 1, 1
	}
	for _, r := range walkSpeeds[1:] {
		l := filterLevel(&flat, pastOf(repeated(10, 4000)).Days, r)
		require.InEpsilon(t, (-r+math.Sqrt(r*r+4*r))/2, l.variance/(1+l.variance), 1e-6)
	}
}

// Level and seasons as statsmodels 0.13.5 has them (ExponentialSmoothing with
// additive seasons, all gains and starting values given).
func TestSeasonalSmoothingAgainstStatsmodels(t *testing.T) {
	days := pastOf(reference.Column(t, "baseline_days.csv", "duty"))
	for _, row := range reference.Table(t, "smoothing_seasonal.csv") {
		start := smoothed{level: 12, season: [7]float64{4, 3.5, 4.5, 4, 2, -7, -11}}
		s := start.run(days, row.Number("alpha"), row.Number("gamma"))
		require.InEpsilon(t, row.Number("level"), s.level, 1e-12)
		require.InEpsilon(t, row.Number("sse"), s.sse, 1e-12)
		for i := range s.season {
			require.InEpsilon(t, row.Number(fmt.Sprintf("season%d", i)), s.season[i], 1e-12)
		}
	}
}

// The variance of a sum of days, by sending one unit of surprise at a time
// through the recursion: each adds the square of what it does to the sum.
func TestSmoothingSpreadsAsItsRecursion(t *testing.T) {
	const days, a, g = 40, .1, .08
	want := 0.0
	for hit := range days {
		var s smoothed
		sum := 0.0
		for day := range days {
			e := 0.0
			if day == hit {
				e = 1
			}
			sum += s.level + s.season[day%7] + e
			s.level += a * e
			s.season[day%7] += g * e
		}
		want += sum * sum
	}
	got := 0.0
	for i := range days {
		got += smoothingStep(i, a, g)
	}
	require.InEpsilon(t, want, got, 1e-12)
}

// Days k weeks ahead have k times the mean squared difference of days a week
// apart (seasonal naive forecast; Hyndman and Athanasopoulos, Forecasting:
// principles and practice, 2018): 7 s2 for the first week, 14 for the second.
func TestLastWeekSpreadsAsASeasonalWalk(t *testing.T) {
	// Weeks of 10 and of 12 a day in turn: differences of 2, s2 = 4. The last
	// week has 12.
	var x []float64
	for w := range 10 {
		x = append(x, repeated(10+2*float64(w%2), 7)...)
	}
	for _, c := range []struct{ days, variance float64 }{
		{7, 4 * 7}, {14, 4 * 7 * 3}, {17, 4 * (7*3 + 3*3)}, {28, 4 * 7 * 10},
	} {
		law := lastWeek{}.Fit(pastOf(x))(12 * c.days)
		require.InDelta(t, c.days, law.Quantile(.5), 1e-9)
		// Chance of a budget that is more by one deviation.
		more := lastWeek{}.Fit(pastOf(x))(12*c.days + math.Sqrt(c.variance))
		require.InDelta(t, 0.15865525393145707, more.Chance(c.days), 1e-12)
	}
}
