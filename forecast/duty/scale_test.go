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

// anyHistory draws days of every kind, some missing, some without use.
func anyHistory(t *rapid.T) []duty.Day {
	n := rapid.IntRange(0, 150).Draw(t, "days")
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	out := make([]duty.Day, n)
	for i := range out {
		d := duty.Day{Type: config.DayType(i % 7), Amount: 8 * math.Exp(0.3*r.NormFloat64()), Seen: 1}
		switch x := r.Float64(); {
		case x < 0.05:
			d.Seen, d.Amount = 0, 0
		case x < 0.15 || d.Type == config.Sunday:
			d.Amount = 0
		case x < 0.2:
			d.Seen, d.Amount = 0.5, d.Amount/2
		case x < 0.22:
			d.Type = config.HolidayType
		case x < 0.24:
			d.Type = config.ShutdownType
		}
		out[i] = d
	}
	return out
}

func TestAScaleOfOneIsNone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		history := anyHistory(t)
		ones := make([]duty.Day, len(history))
		for i, d := range history {
			d.Scale = 1
			ones[i] = d
		}
		plan := &duty.Plan{PerWeek: 50}
		rules := duty.Rules{MaxPerDay: 24}
		want, got := rules.Fit(history, plan), rules.Fit(ones, plan)
		require.Equal(t, want, got)
		ahead := ordinary(120, config.DayType(len(history)%7))
		ahead[30], ahead[31] = config.ShutdownType, config.HolidayType
		scales := make([]float32, rapid.IntRange(0, 130).Draw(t, "scales"))
		for i := range scales {
			// What is no scale counts as 1.
			scales[i] = rapid.SampledFrom([]float32{1, 0, -2, float32(math.NaN()), float32(math.Inf(1))}).Draw(t, "one")
		}
		require.Equal(t, want.Forecast(ahead, 0.3), got.Forecast(ahead, 0.3, scales...))
		require.Equal(t, want.Curve(ahead, 0.3), got.Curve(ahead, 0.3, scales...))
		require.Equal(t, want.Keep().Forecast(ahead, 0.3), got.Keep().Forecast(ahead, 0.3, scales...))
	})
}

// Twice the use on every day, said by the calendar, uses up twice the budget in
// the same time. Powers of two leave the digits alone.
func TestScalingPastAndFutureLeavesDates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		history := anyHistory(t)
		by := rapid.SampledFrom([]float32{0.25, 0.5, 2, 4}).Draw(t, "by")
		scaled := make([]duty.Day, len(history))
		for i, d := range history {
			d.Amount, d.Scale = d.Amount*float64(by), by
			scaled[i] = d
		}
		plan := &duty.Plan{PerWeek: 50}
		want, got := duty.Fit(history, plan), duty.Fit(scaled, plan)
		require.Equal(t, want, got, "the ordinary days are the same")
		ahead := ordinary(300, config.DayType(len(history)%7))
		scales := make([]float32, len(ahead))
		for i := range scales {
			scales[i] = by
		}
		share := rapid.SampledFrom([]float64{1, 0.25, 0}).Draw(t, "share")
		b := depletion.Budget{Mean: 200, Var: 25}
		more := depletion.Budget{Mean: 200 * float64(by), Var: 25 * float64(by*by)}
		a10, a50, a90 := want.Forecast(ahead, share).Range(b)
		b10, b50, b90 := got.Forecast(ahead, share, scales...).Range(more)
		for i, q := range [][2]float64{{a10, b10}, {a50, b50}, {a90, b90}} {
			if math.IsInf(q[0], 1) {
				require.Equal(t, q[0], q[1], i)
				continue
			}
			// The floor of the level and of the variance do not scale.
			require.InDelta(t, q[0], q[1], 1e-6*math.Max(1, q[0]), i)
		}
	})
}

// campaign is a noisy history with a campaign of 1.6 times the use from day 100
// to day 144 of 180; with says whether the calendar knew.
func campaign(seed uint64, factor float64, with bool) []duty.Day {
	r := rand.New(rand.NewPCG(seed, 7))
	history := days(180, [7]float64{10, 10, 10, 10, 10, 4, 0})
	for i := range history {
		d := &history[i]
		d.Amount *= 1 + 0.15*r.NormFloat64()
		if i >= 100 && i < 145 {
			d.Amount *= factor
			if with {
				d.Scale = 1.6
			}
		}
	}
	return history
}

func TestAPastCampaignLeavesTheOrdinaryLevel(t *testing.T) {
	const truth = 54.0 / 7
	var with, without float64
	for seed := range uint64(40) {
		rules := duty.Rules{MaxPerDay: 24}
		plain := rules.Fit(campaign(seed, 1, false), nil)
		known := rules.Fit(campaign(seed, 1.6, true), nil)
		require.InDelta(t, plain.PerDay(), known.PerDay(), 1e-5*truth, "as if there had been none")
		require.Equal(t, plain.Stopped(), known.Stopped())
		with += math.Abs(known.PerDay() - truth)
		without += math.Abs(rules.Fit(campaign(seed, 1.6, false), nil).PerDay() - truth)
	}
	require.Less(t, with, without/1.5, "a campaign that nobody told of is remembered")
}

func TestScaledDaysAhead(t *testing.T) {
	plan := &duty.Plan{PerWeek: 70}
	rules := duty.Rules{MaxPerDay: 24}
	noisy := campaign(3, 1, false)
	for _, c := range []struct {
		name    string
		history []duty.Day
	}{{"plan", nil}, {"daytypes", noisy[:20]}, {"mixture", noisy[:175]}} {
		m := rules.Fit(c.history, plan)
		require.Equal(t, c.name, m.Rung())
		ahead := []config.DayType{config.Monday, config.Tuesday, config.ShutdownType, config.Wednesday}
		one, two := m.Forecast(ahead, 1).Moments(depletion.Curve{}), m.Forecast(ahead, 1, 1, 2, 2).Moments(depletion.Curve{})
		require.Equal(t, one.Mean[1], two.Mean[1], "the first day is ordinary")
		require.InDelta(t, 2*(one.Mean[2]-one.Mean[1]), two.Mean[2]-two.Mean[1], 1e-9, "the second twice as much")
		require.Greater(t, two.Var[2], one.Var[2])
		require.Equal(t, two.Mean[2], two.Mean[3], "a shutdown stays one")
		require.InDelta(t, one.Mean[4]-one.Mean[3], two.Mean[4]-two.Mean[3], 1e-9, "beyond the list days are ordinary")
		most := m.Forecast(ordinary(1, config.Monday), 0.5, 9).Moments(depletion.Curve{})
		require.LessOrEqual(t, most.Mean[1], 12+1e-9, "half a day has 12 h")
		require.InDelta(t, math.Min(24, 9*m.Day(config.Monday)), m.DayAt(config.Monday, 9), 1e-9)
	}
	// Noise goes with scale squared: a single day of a model without estimates to
	// speak of.
	m := duty.Fit(days(28, shifts), nil)
	v := func(scale float32) float64 { return m.Curve(ordinary(1, config.Monday), 1, scale).Var[1] }
	require.InDelta(t, 9*v(1), v(3), 1e-9)
}

// A day that could not be used more than it was says nothing of ordinary use;
// one of short time cannot stand for more than a day has.
func TestScaledDaysAtTheLimit(t *testing.T) {
	rules := duty.Rules{MaxPerDay: 24}
	history := days(120, [7]float64{20, 20, 20, 20, 20, 20, 20})
	for i := 90; i < 120; i++ {
		history[i].Amount, history[i].Scale = 24, 1.6
	}
	require.InDelta(t, 20, rules.Fit(history, nil).PerDay(), 0.1)
	for i := 90; i < 120; i++ {
		history[i].Amount, history[i].Scale = 20, 0.5
	}
	m := rules.Fit(history, nil)
	require.LessOrEqual(t, m.PerDay(), 24.0)
	require.Zero(t, m.Capped(), "nothing was above what a day has")
}

// A state written in mid-campaign and read back goes on as if it never stopped.
func TestStateKeepsScaledDays(t *testing.T) {
	history := campaign(5, 1.6, true)
	rules := duty.Rules{MaxPerDay: 24}
	s := rules.State()
	for _, d := range history[:120] {
		s.Add(d)
	}
	form, err := s.MarshalBinary()
	require.NoError(t, err)
	var back duty.State
	require.NoError(t, back.UnmarshalBinary(form))
	for _, d := range history[120:] {
		back.Add(d)
	}
	require.Equal(t, rules.Fit(history, nil), back.Model(nil, duty.Fleet{}))
}

func TestObserve(t *testing.T) {
	in := func(from, to int) func(int) bool { return func(i int) bool { return i >= from && i < to } }
	week := [7]float64{10, 10, 10, 10, 10, 4, 0}
	base := func(n int) []duty.Day { return days(n, week) }
	for _, c := range []struct {
		name          string
		history       []duty.Day
		from, to      int
		scale, really float64
		used, days    float64
		expected      float64
	}{
		{"as stated", base(84), 42, 56, 1.5, 1.5, 162, 14, 162},
		{"less than stated", base(84), 42, 56, 1.5, 1.2, 129.6, 14, 162},
		{"up to now", base(56), 42, 56, 0.5, 0.5, 54, 14, 54},
		{"held to the limit", base(84), 42, 56, 3, 2.4, 259.2, 14, 2 * (5*24 + 12)},
		{"nothing ordinary near", base(40), 0, 40, 2, 2, 0, 0, 0},
	} {
		for i := c.from; i < c.to; i++ {
			c.history[i].Amount *= c.really
			c.history[i].Scale = float32(c.scale)
		}
		got := duty.Rules{MaxPerDay: 24}.Observe(c.history, in(c.from, c.to), in(c.from, c.to))
		require.InDelta(t, c.days, got.Days, 1e-9, c.name)
		require.InDelta(t, c.used, got.Used, 1e-6, c.name)
		// Saturdays lean on Sundays, three days' worth, so the expectation of a
		// whole week holds while that of a day may not.
		require.InDelta(t, c.expected, got.Expected, 0.03*c.expected, c.name)
	}
	// The level of half a year ago does not count: ordinary days were 20 h then.
	old := append(days(182, [7]float64{20, 20, 20, 20, 20, 8, 0}), base(84)...)
	for i := 182 + 63; i < 182+77; i++ {
		old[i].Amount *= 1.5
		old[i].Scale = 1.5
	}
	got := duty.Rules{}.Observe(old, in(245, 259), in(245, 259))
	require.InDelta(t, 162, got.Expected, 0.03*162)
}

func TestScalesAheadAllocateNothing(t *testing.T) {
	history, future := benchmarkSite()
	scales := make([]float32, 60)
	for i := range scales {
		scales[i] = 1.6
	}
	var s duty.Scratch
	var f depletion.Mixture
	n := testing.AllocsPerRun(10, func() {
		m := duty.Rules{MaxPerDay: 24}.FitWith(&s, history, nil)
		f = m.ForecastUntil(f, future, 0.4, depletion.Budget{Mean: 700, Var: 100}, scales...)
	})
	require.Zero(t, n)
}
