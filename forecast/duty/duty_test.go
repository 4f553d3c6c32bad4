package duty_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// days repeats a week of duty, Monday first, all seen.
func days(n int, week [7]float64) []duty.Day {
	out := make([]duty.Day, n)
	for i := range out {
		out[i] = duty.Day{Type: config.DayType(i % 7), Amount: week[i%7], Seen: 1}
	}
	return out
}

// ordinary is a calendar from a weekday on.
func ordinary(n int, from config.DayType) []config.DayType {
	out := make([]config.DayType, n)
	for i := range out {
		out[i] = config.DayType((int(from) + i) % 7)
	}
	return out
}

var shifts = [7]float64{16, 16, 16, 16, 16, 6, 0}

func TestLadder(t *testing.T) {
	plan := &duty.Plan{PerWeek: 84}
	cases := []struct {
		name string
		days []duty.Day
		plan *duty.Plan
		rung string
	}{
		{"nothing at all", nil, nil, duty.RungNone},
		{"plan alone", nil, plan, duty.RungPlan},
		{"13 days and no plan", days(13, shifts), nil, duty.RungNone},
		{"13 days and a plan", days(13, shifts), plan, duty.RungPlan},
		{"14 days", days(14, shifts), nil, duty.RungDayTypes},
		{"14 days and a plan", days(14, shifts), plan, duty.RungDayTypes},
		{"a plan that is no number", nil, &duty.Plan{PerWeek: math.NaN()}, duty.RungNone},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			m := duty.Fit(c.days, c.plan)
			require.Equal(t, c.rung, m.Rung())
			require.Equal(t, c.rung == duty.RungNone, m.Reason() != "")
			if c.rung == duty.RungNone {
				require.Zero(t, m.Curve(ordinary(10, 0), 1).Days())
				require.False(t, m.Idle())
			}
		})
	}
	halves := days(20, shifts)
	for i := range halves {
		halves[i].Amount, halves[i].Seen = halves[i].Amount/2, 0.5
	}
	require.Equal(t, duty.RungNone, duty.Fit(halves, nil).Rung(), "20 half days are 10 days")
	require.Contains(t, duty.Fit(halves, nil).Reason(), "only 10 days")
}

func TestReasonNamesShutdown(t *testing.T) {
	all := make([]duty.Day, 40)
	for i := range all {
		all[i] = duty.Day{Type: config.ShutdownType, Seen: 1}
	}
	m := duty.Fit(all, nil)
	require.Equal(t, duty.RungNone, m.Rung())
	require.Contains(t, m.Reason(), "shutdown")
	require.Equal(t, duty.RungPlan, duty.Fit(all, &duty.Plan{PerWeek: 40}).Rung())
}

func TestConstantDutyIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amount := rapid.Float64Range(0.01, 24).Draw(t, "duty")
		n := rapid.IntRange(14, 300).Draw(t, "days")
		week := [7]float64{}
		for i := range week {
			week[i] = amount
		}
		m := duty.Rules{MaxPerDay: 24}.Fit(days(n, week), nil)
		budget := rapid.Float64Range(0.1, 100).Draw(t, "days of budget")
		c := m.Curve(ordinary(200, config.DayType(n%7)), 1)
		for _, p := range []float64{0.1, 0.5, 0.9} {
			d, ok := c.Quantile(p, depletion.Budget{Mean: budget * amount})
			if !ok || math.Abs(d-budget) > 1e-6 {
				t.Fatalf("p %g: %g days of budget give %g, %t", p, budget, d, ok)
			}
		}
	})
}

func drawHistory(t *rapid.T) []duty.Day {
	n := rapid.IntRange(14, 120).Draw(t, "days")
	out := make([]duty.Day, n)
	for i := range out {
		seen := rapid.SampledFrom([]float64{1, 1, 1, 1, 0.5, 0}).Draw(t, "seen")
		out[i] = duty.Day{Type: config.DayType(i % 7), Amount: seen * rapid.Float64Range(0, 20).Draw(t, "amount"), Seen: seen}
		switch rapid.IntRange(0, 30).Draw(t, "kind") {
		case 0:
			out[i].Type = config.HolidayType
		case 1:
			out[i].Type = config.ShutdownType
		}
	}
	return out
}

// Whatever the history, mean and variance never fall over the calendar ahead,
// and duty in other units gives the same dates.
func TestCurveRisesAndUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		history := drawHistory(t)
		var plan, planK *duty.Plan
		// A power of two, so that rounding cannot tip a member over the least
		// weight.
		k := math.Ldexp(1, rapid.IntRange(-6, 10).Draw(t, "scale"))
		if rapid.Bool().Draw(t, "plan") {
			plan = &duty.Plan{PerWeek: rapid.Float64Range(1, 100).Draw(t, "per week")}
			planK = &duty.Plan{PerWeek: k * plan.PerWeek}
		}
		future := make([]config.DayType, 100)
		for i := range future {
			future[i] = config.DayType(rapid.IntRange(0, int(config.DayTypes)).Draw(t, "type"))
		}
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		scaled := make([]duty.Day, len(history))
		for i, d := range history {
			scaled[i] = duty.Day{Type: d.Type, Amount: k * d.Amount, Seen: d.Seen}
		}
		c := duty.Fit(history, plan).Curve(future, share)
		s := duty.Fit(scaled, planK).Curve(future, share)
		if c.Days() != s.Days() {
			t.Fatalf("scale changes the rung")
		}
		for i := 1; i <= c.Days(); i++ {
			if !(c.Mean[i] >= c.Mean[i-1]) || !(c.Var[i] >= c.Var[i-1]) {
				t.Fatalf("falls at %d: %g %g, %g %g", i, c.Mean[i-1], c.Mean[i], c.Var[i-1], c.Var[i])
			}
			if math.Abs(s.Mean[i]-k*c.Mean[i]) > 1e-6*k*(1+c.Mean[i]) || math.Abs(s.Var[i]-k*k*c.Var[i]) > 1e-6*k*k*(1+c.Var[i]) {
				t.Fatalf("day %d: scaled %g %g against %g %g", i, s.Mean[i], s.Var[i], c.Mean[i], c.Var[i])
			}
		}
	})
}

func TestWeeklyPatternIsLearned(t *testing.T) {
	m := duty.Fit(days(140, shifts), nil)
	require.InDelta(t, 86.0/7, m.PerDay(), 3e-3, "Saturday and Sunday lend each other, almost the same")
	require.InDelta(t, 16, m.Day(config.Wednesday), 1e-9)
	// Shrinkage towards the weekend's mean of 3 by 3 pseudo-days; 20 weeks of
	// weight 0.995^age are about 14.3 days.
	require.InDelta(t, 6-3*3/(14.3+3), m.Day(config.Saturday), 0.05)
	require.InDelta(t, 3*3/(14.3+3), m.Day(config.Sunday), 0.05)
	require.Equal(t, m.Day(config.Sunday), m.Day(config.HolidayType), "no holiday seen: as a Sunday")
}

func TestHolidaysSeenCountForThemselves(t *testing.T) {
	history := days(140, shifts)
	for _, i := range []int{7, 45, 80, 121, 130} { // mid-week
		history[i] = duty.Day{Type: config.HolidayType, Amount: 12, Seen: 1}
	}
	m := duty.Fit(history, nil)
	require.Greater(t, m.Day(config.HolidayType), 6.0)
	require.Less(t, m.Day(config.HolidayType), 12.0)
}

func TestShutdowns(t *testing.T) {
	history := days(140, shifts)
	for i := 50; i < 64; i++ {
		history[i] = duty.Day{Type: config.ShutdownType, Amount: 0, Seen: 1}
	}
	m := duty.Fit(history, nil)
	require.InDelta(t, 16, m.Day(config.Tuesday), 1e-9, "past shutdowns teach nothing")
	future := ordinary(60, config.Monday)
	for i := 10; i < 24; i++ {
		future[i] = config.ShutdownType
	}
	c := m.Curve(future, 1)
	require.Equal(t, c.Mean[10], c.Mean[24])
	require.Equal(t, c.Var[10], c.Var[24])
	for i := range future {
		future[i] = config.ShutdownType
	}
	_, ok := m.Curve(future, 1).Quantile(0.5, depletion.Budget{Mean: 1})
	require.False(t, ok, "a calendar of shutdowns never empties")
}

func TestMissingIsNotZero(t *testing.T) {
	whole := duty.Fit(days(140, shifts), nil)
	gaps := days(140, shifts)
	for i := range gaps {
		switch {
		case i%11 == 3:
			gaps[i] = duty.Day{Type: gaps[i].Type}
		case i%5 == 2:
			gaps[i].Amount, gaps[i].Seen = gaps[i].Amount*0.25, 0.25
		}
	}
	m := duty.Fit(gaps, nil)
	require.InDelta(t, whole.PerDay(), m.PerDay(), 0.05)
	require.Less(t, m.Seen(), whole.Seen())
}

func TestNoUse(t *testing.T) {
	m := duty.Fit(days(60, [7]float64{}), nil)
	require.True(t, m.Idle())
	require.Contains(t, m.Notice(), "no use")
	c := m.Curve(ordinary(730, 0), 1)
	_, ok := c.Quantile(0.1, depletion.Budget{Mean: 1})
	require.False(t, ok)
	require.False(t, duty.Fit(days(60, shifts), nil).Idle())
}

func TestSingleActiveWeekday(t *testing.T) {
	m := duty.Fit(days(210, [7]float64{0, 0, 9, 0, 0, 0, 0}), nil)
	d, ok := m.Curve(ordinary(400, config.Monday), 1).Quantile(0.5, depletion.Budget{Mean: 90})
	require.True(t, ok)
	require.InDelta(t, 66, d, 7, "the tenth Wednesday ends on day 66")
}

// More than 24 h in a day cannot be; it is cut, counted, and never foretold.
func TestPhysicalLimit(t *testing.T) {
	history := days(70, [7]float64{20, 20, 20, 20, 20, 20, 20})
	history[30].Amount = 400
	m := duty.Rules{MaxPerDay: 24}.Fit(history, nil)
	require.Equal(t, 1, m.Capped())
	require.Less(t, m.Day(history[30].Type), 21.0)
	over := duty.Rules{MaxPerDay: 24}.Fit(nil, &duty.Plan{PerWeek: 400})
	require.LessOrEqual(t, over.PerDay(), 24.0)
}

func TestOddNumbersTeachNothing(t *testing.T) {
	history := days(70, shifts)
	want := duty.Fit(history, nil).PerDay()
	odd := append([]duty.Day{
		{Type: config.Monday, Amount: math.NaN(), Seen: 1},
		{Type: config.Tuesday, Amount: math.Inf(1), Seen: 1},
		{Type: config.Tuesday, Amount: -4, Seen: 1},
		{Type: config.Tuesday, Amount: 4, Seen: math.NaN()},
		{Type: 77, Amount: 4, Seen: 1},
	}, history...)
	require.InDelta(t, want, duty.Fit(odd, nil).PerDay(), 1e-4, "the filters let five more days pass, and days leave the window five days sooner")
}

func TestFirstPartDay(t *testing.T) {
	m := duty.Fit(days(140, [7]float64{10, 10, 10, 10, 10, 10, 10}), nil)
	c := m.Curve(ordinary(5, 0), 0.25)
	require.InDelta(t, 2.5, c.Mean[1], 1e-9)
	require.InDelta(t, 12.5, c.Mean[2], 1e-9)
	require.Zero(t, m.Curve(ordinary(5, 0), -3).Mean[1])
	require.InDelta(t, 10, m.Curve(ordinary(5, 0), 7).Mean[1], 1e-9)
}

// The plan is worth 8 days: after 8 days at double the planned duty the level
// stands halfway, and the forecast is never surer than the plan deserves.
func TestPlanShrinksTowardsData(t *testing.T) {
	plan := &duty.Plan{PerWeek: 56}
	require.InDelta(t, 8, duty.Fit(nil, plan).PerDay(), 1e-9)
	m := duty.Fit(days(8, [7]float64{16, 16, 16, 16, 16, 16, 16}), plan)
	// 7.84 pseudo-days, and 8 seen ones of which the oldest weighs 0.966.
	require.InDelta(t, 12, m.PerDay(), 0.1)
	c := duty.Fit(nil, plan).Curve(ordinary(400, 0), 1)
	p10, p50, p90 := c.Range(depletion.Budget{Mean: 8 * 90})
	require.InDelta(t, 90, p50, 1e-6)
	require.Less(t, p10, 90*0.8)
	require.Greater(t, p90, 90*1.3)
	less := m.Curve(ordinary(400, 0), 1)
	q10, q50, q90 := less.Range(depletion.Budget{Mean: 12 * 90})
	require.Less(t, (q90-q10)/q50, (p90-p10)/p50, "days seen make it narrower")
}

func TestPlanMismatch(t *testing.T) {
	require.Contains(t, duty.Fit(days(60, shifts), &duty.Plan{PerWeek: 60}).Notice(), "more than planned")
	require.Contains(t, duty.Fit(days(60, shifts), &duty.Plan{PerWeek: 130}).Notice(), "less than planned")
	require.Empty(t, duty.Fit(days(60, shifts), &duty.Plan{PerWeek: 80}).Notice())
	require.Empty(t, duty.Fit(days(27, shifts), &duty.Plan{PerWeek: 20}).Notice(), "less than four weeks")
}

func TestCurveIntoReuses(t *testing.T) {
	m := duty.Fit(days(20, shifts), nil)
	require.Equal(t, duty.RungDayTypes, m.Rung())
	want := m.Curve(ordinary(100, 0), 1)
	old := m.Curve(ordinary(300, 3), 0.5)
	got := m.CurveInto(old, ordinary(100, 0), 1)
	require.Equal(t, want, got)
	future := ordinary(100, 0)
	require.Zero(t, testing.AllocsPerRun(20, func() { old = m.CurveInto(old, future, 1) }))
}
