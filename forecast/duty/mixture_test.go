package duty_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

func noisy(n int, week [7]float64, cv float64) []duty.Day {
	r := rand.New(rand.NewPCG(3, uint64(n)))
	out := days(n, week)
	for i := range out {
		out[i].Amount *= math.Max(0, 1+cv*r.NormFloat64())
	}
	return out
}

func TestClassesAndWeights(t *testing.T) {
	everyDay := noisy(120, [7]float64{20, 20, 20, 20, 20, 20, 20}, 0.1)
	chancy := days(120, [7]float64{9, 9, 9, 9, 9, 9, 9})
	r := rand.New(rand.NewPCG(9, 9))
	for i := range chancy {
		if r.Float64() < 0.6 {
			chancy[i].Amount = 0
		}
	}
	for want, history := range map[duty.Class][]duty.Day{
		duty.RoundTheClock: everyDay, duty.Shift: noisy(120, shifts, 0.1), duty.Intermittent: chancy,
	} {
		m := duty.Fit(history, nil)
		require.Equal(t, duty.RungMixture, m.Rung())
		require.Equal(t, want, m.Class(), want.String())
		sum := 0.0
		for _, w := range m.Weights() {
			require.NotEmpty(t, w.Name)
			require.Greater(t, w.Weight, 0.0)
			sum += w.Weight
		}
		require.InDelta(t, 1, sum, 1e-12)
	}
	require.Empty(t, duty.Fit(days(20, shifts), nil).Weights())
}

func TestRungsByDaysSeen(t *testing.T) {
	history := days(31, shifts)
	require.Equal(t, duty.RungMixture, duty.Fit(history, nil).Rung())
	history[3].Seen = 0.4
	require.Equal(t, duty.RungMixture, duty.Fit(history, nil).Rung())
	history[4].Seen = 0
	require.Equal(t, duty.RungDayTypes, duty.Fit(history, nil).Rung(), "29.4 days seen")
}

// A month after use went from 16 to 8 h the forecast goes by 8 h; the day types
// alone would still say about 13.
func TestFollowsAChange(t *testing.T) {
	history := noisy(150, [7]float64{16, 16, 16, 16, 16, 16, 16}, 0.1)
	for i := 120; i < len(history); i++ {
		history[i].Amount /= 2
	}
	m := duty.Fit(history, nil)
	require.InDelta(t, 8, m.PerDay(), 0.4)
	_, p50, _ := m.Forecast(ordinary(200, 3), 1).Range(depletion.Budget{Mean: 240})
	require.InDelta(t, 30, p50, 1.5)
}

// A stop of twelve days is no level: it is left out of the level and comes back
// as the chance of another.
func TestOutageIsNotTheLevel(t *testing.T) {
	history := noisy(150, shifts, 0.1)
	for i := 100; i < 112; i++ {
		history[i].Amount = 0
	}
	m := duty.Fit(history, nil)
	// One stop of (12+5)/2 days in about 240 days: 4 % of the time.
	require.InDelta(t, 86.0/7*0.96, m.PerDay(), 0.4)
	whole := duty.Fit(noisy(150, shifts, 0.1), nil)
	width := func(m duty.Model) float64 {
		lo, _, hi := m.Forecast(ordinary(400, 3), 1).Range(depletion.Budget{Mean: 1000})
		return hi - lo
	}
	require.Greater(t, width(m), 1.5*width(whole))
	// Going on today it delays what comes.
	now := history
	for i := 142; i < 150; i++ {
		now[i].Amount = 0
	}
	p50 := func(m duty.Model) float64 {
		_, d, _ := m.Forecast(ordinary(400, 3), 1).Range(depletion.Budget{Mean: 200})
		return d
	}
	require.Greater(t, p50(duty.Fit(now, nil)), p50(m)+2)
}

func TestMixtureKeepsToTheCalendar(t *testing.T) {
	m := duty.Fit(noisy(90, shifts, 0.1), nil)
	shut := make([]config.DayType, 60)
	for i := range shut {
		shut[i] = config.ShutdownType
	}
	f := m.Forecast(shut, 1)
	require.Zero(t, f.MeanAt(60))
	_, ok := f.Quantile(0.5, depletion.Budget{Mean: 1})
	require.False(t, ok, "nothing is used in a shutdown")
	require.Equal(t, 1.0, f.Chance(0, depletion.Budget{}), "empty already")
	// Shutdowns in history teach nothing.
	history := noisy(90, shifts, 0.1)
	with := append(append(append([]duty.Day{}, history[:63]...), make([]duty.Day, 7)...), history[63:]...)
	for i := 63; i < 70; i++ {
		with[i].Type = config.ShutdownType
	}
	require.InEpsilon(t, m.PerDay(), duty.Fit(with, nil).PerDay(), 0.02)
}

func TestSingleActiveDayInMixture(t *testing.T) {
	m := duty.Fit(noisy(140, [7]float64{0, 0, 12, 0, 0, 0, 0}, 0.05), nil)
	require.Equal(t, duty.RungMixture, m.Rung())
	require.InEpsilon(t, 12.0/7, m.PerDay(), 0.1)
	idle := duty.Fit(days(140, [7]float64{}), nil)
	require.True(t, idle.Idle())
}

// Whatever the history: means and variances rise, weights sum to 1, quantiles
// are ordered and agree with chances, units do not matter, and working memory
// that held something else changes nothing.
func TestMixtureHoldsForAnyHistory(t *testing.T) {
	var used duty.Scratch
	duty.Rules{}.FitWith(&used, noisy(200, shifts, 0.3), nil)
	rapid.Check(t, func(t *rapid.T) {
		history := drawHistory(t)
		future := ordinary(150, config.DayType(len(history)%7))
		future[20] = config.ShutdownType
		m := duty.Fit(history, nil)
		if m.Rung() == duty.RungNone {
			t.Skip("nothing seen")
		}
		f := m.Forecast(future, 0.6)
		again := duty.Rules{}.FitWith(&used, history, nil)
		require.Equal(t, m, again)
		sum := 0.0
		for i, c := range f.Curves {
			sum += f.Weights[i]
			for k := range future {
				require.GreaterOrEqual(t, c.Mean[k+1], c.Mean[k])
				require.GreaterOrEqual(t, c.Var[k+1], c.Var[k])
				require.False(t, math.IsNaN(c.Var[k+1]) || math.IsInf(c.Var[k+1], 0))
			}
		}
		require.InDelta(t, 1, sum, 1e-9)
		b := depletion.Budget{Mean: rapid.Float64Range(1, 600).Draw(t, "budget")}
		p10, p50, p90 := f.Range(b)
		require.LessOrEqual(t, p10, p50)
		require.LessOrEqual(t, p50, p90)
		if d, ok := f.Quantile(0.5, b); ok {
			require.InDelta(t, d, p50, 1e-6)
			require.GreaterOrEqual(t, f.Chance(d, b), 0.5-1e-6)
		}
		for i := range history {
			history[i].Amount *= 1024
		}
		_, q50, _ := duty.Fit(history, nil).Forecast(future, 0.6).Range(depletion.Budget{Mean: 1024 * b.Mean})
		if !math.IsInf(p50, 1) {
			require.InDelta(t, p50, q50, 1e-6)
		}
	})
}

func TestMixtureAllocatesNothingWhenReused(t *testing.T) {
	history, future := benchmarkSite()
	var s duty.Scratch
	var f depletion.Mixture
	once := func() {
		m := duty.Rules{MaxPerDay: 24}.FitWith(&s, history, nil)
		f = m.ForecastInto(f, future, 0.4)
		f.Range(depletion.Budget{Mean: 700, Var: 100})
	}
	once()
	require.Zero(t, testing.AllocsPerRun(5, once))
	m := duty.Fit(history, nil)
	require.Equal(t, m.Forecast(future[:90], 1), m.ForecastInto(f, future[:90], 1))
}

// Days left out because the budget is surely used up change no quantile.
func TestForecastUntilStopsWhenNothingIsLeft(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := duty.Fit(drawHistory(t), nil)
		future := ordinary(400, config.Tuesday)
		b := depletion.Budget{Mean: rapid.Float64Range(1, 900).Draw(t, "budget"), Var: rapid.Float64Range(0, 900).Draw(t, "variance")}
		whole, part := m.Forecast(future, 0.7), m.ForecastUntil(depletion.Mixture{}, future, 0.7, b)
		require.LessOrEqual(t, part.Days(), whole.Days())
		w10, w50, w90 := whole.Range(b)
		p10, p50, p90 := part.Range(b)
		require.Equal(t, []float64{w10, w50, w90}, []float64{p10, p50, p90})
		require.InDelta(t, whole.Chance(400, b), part.Chance(400, b), 1.0/30000)
	})
	m := duty.Fit(noisy(180, shifts, 0.1), nil)
	require.Less(t, m.ForecastUntil(depletion.Mixture{}, ordinary(730, 0), 1, depletion.Budget{Mean: 500}).Days(), 80)
}
