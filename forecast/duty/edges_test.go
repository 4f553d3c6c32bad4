package duty_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// Fewer days than a week has: no forecast of their own, but they pull the plan.
func TestEdgeFewerDaysThanAWeek(t *testing.T) {
	even := [7]float64{12, 12, 12, 12, 12, 12, 12}
	last := 6.0
	for n := range 7 {
		alone := duty.Fit(days(n, even), nil)
		require.Equal(t, duty.RungNone, alone.Rung(), "%d days", n)
		require.NotEmpty(t, alone.Reason())
		require.Zero(t, alone.PerDay())

		planned := duty.Fit(days(n, even), &duty.Plan{PerWeek: 42})
		require.Equal(t, duty.RungPlan, planned.Rung())
		require.GreaterOrEqual(t, planned.PerDay(), last, "%d days", n)
		require.Less(t, planned.PerDay(), 12.0)
		p10, p50, p90 := planned.Forecast(ordinary(400, 0), 1).Range(depletion.Budget{Mean: 600})
		require.True(t, 0 < p10 && p10 < p50 && p50 < p90 && !math.IsInf(p90, 1), "%d days", n)
		last = planned.PerDay()
	}
	// The plan is worth 7.84 days of it: (7.84 x 6 + 6 x 12)/13.84, days nearly even.
	require.InDelta(t, 8.6, last, 0.02)
}

// A history with nothing but planned shutdowns teaches nothing, however long;
// five days of work after it count as five days.
func TestEdgeHistoryAllShutdown(t *testing.T) {
	history := make([]duty.Day, 400)
	for i := range history {
		history[i] = duty.Day{Type: config.ShutdownType, Amount: 3, Seen: 1}
	}
	m := duty.Fit(history, nil)
	require.Equal(t, duty.RungNone, m.Rung())
	require.Contains(t, m.Reason(), "planned shutdown")
	require.False(t, m.Idle(), "not known is not idle")
	require.Equal(t, duty.RungPlan, duty.Fit(history, &duty.Plan{PerWeek: 70}).Rung())
	require.InDelta(t, 10, duty.Fit(history, &duty.Plan{PerWeek: 70}).PerDay(), 1e-9)

	after := append(history, days(5, shifts)...)
	require.Contains(t, duty.Fit(after, nil).Reason(), "only 5 days")
	after = append(history, days(35, shifts)...)
	m = duty.Fit(after, nil)
	require.Equal(t, duty.RungMixture, m.Rung())
	require.InDelta(t, 86.0/7, m.PerDay(), 0.4, "as without the shutdowns before")
}

// All ahead is a shutdown: no duty, on every rung.
func TestEdgeFutureAllShutdown(t *testing.T) {
	future := make([]config.DayType, 300)
	for i := range future {
		future[i] = config.ShutdownType
	}
	for _, m := range []duty.Model{
		duty.Fit(nil, &duty.Plan{PerWeek: 70}), duty.Fit(days(20, shifts), nil), duty.Fit(days(200, shifts), nil),
	} {
		f := m.Forecast(future, 0.5)
		require.Zero(t, f.MeanAt(f.Days()), m.Rung())
		p10, _, _ := f.Range(depletion.Budget{Mean: 1})
		require.True(t, math.IsInf(p10, 1), m.Rung())
	}
}

// A day without a message and a day without use are not the same.
func TestEdgeMissingAgainstZero(t *testing.T) {
	even := [7]float64{10, 10, 10, 10, 10, 10, 10}
	for _, n := range []int{28, 140} { // day types and mixture
		missing, zero := days(n, even), days(n, even)
		for i := range missing {
			if i%4 == 1 {
				missing[i].Amount, missing[i].Seen = 0, 0
				zero[i].Amount = 0
			}
		}
		require.InDelta(t, 10, duty.Fit(missing, nil).PerDay(), 0.05, "%d days", n)
		require.InDelta(t, 7.5, duty.Fit(zero, nil).PerDay(), 0.6, "%d days", n)
		require.Equal(t, 0.75*float64(n), duty.Fit(missing, nil).Seen())
		require.Equal(t, float64(n), duty.Fit(zero, nil).Seen())
	}
	// An amount without any part of the day seen is no evidence either.
	ghost := days(60, even)
	ghost[30].Amount, ghost[30].Seen = 500, 0
	require.InDelta(t, 10, duty.Fit(ghost, nil).PerDay(), 1e-6)
}

// One weekday of seven: the date falls on it, in every rung that knows days.
func TestEdgeSingleActiveWeekday(t *testing.T) {
	for _, n := range []int{28, 210} {
		m := duty.Fit(days(n, [7]float64{0, 0, 9, 0, 0, 0, 0}), nil)
		_, p50, _ := m.Forecast(ordinary(400, config.Monday), 1).Range(depletion.Budget{Mean: 9 * 9.5})
		require.InDelta(t, 66, p50, 7, "%s: the tenth Wednesday is day 66", m.Rung())
	}
	// Its own shrunk mean takes all; the rest lends little once seen for long.
	m := duty.Fit(days(210, [7]float64{0, 0, 9, 0, 0, 0, 0}), nil)
	require.InDelta(t, 9.0/7, m.PerDay(), 0.1)
}

// No day ever with any use: nothing is expected, and that is said.
func TestEdgeNoUse(t *testing.T) {
	for _, n := range []int{14, 40, 300} {
		m := duty.Rules{MaxPerDay: 24}.Fit(days(n, [7]float64{}), nil)
		require.True(t, m.Idle())
		require.NotEmpty(t, m.Notice())
		p10, _, _ := m.Forecast(ordinary(730, 0), 1).Range(depletion.Budget{Mean: 1e-3})
		require.True(t, math.IsInf(p10, 1), "%d days", n)
	}
}

// 30 h in a day cannot be: it counts as 24, is counted as cut, and 24 h every
// day is the most that is ever foretold.
func TestEdgeMoreThanADayHas(t *testing.T) {
	for _, n := range []int{20, 100} {
		m := duty.Rules{MaxPerDay: 24}.Fit(days(n, [7]float64{30, 30, 30, 30, 30, 30, 30}), nil)
		require.Equal(t, n, m.Capped())
		require.InDelta(t, 24, m.PerDay(), 1e-6)
		f := m.Forecast(ordinary(100, 0), 1)
		require.LessOrEqual(t, f.MeanAt(100), 2400+1e-6)
	}
	half := days(20, [7]float64{11, 11, 11, 11, 11, 11, 11})
	for i := range half {
		half[i].Seen = 0.5
	}
	require.Zero(t, duty.Rules{MaxPerDay: 24}.Fit(half, &duty.Plan{PerWeek: 70}).Capped(), "11 h in half a day can be")
	half[3].Amount = 13
	require.Equal(t, 1, duty.Rules{MaxPerDay: 24}.Fit(half, &duty.Plan{PerWeek: 70}).Capped())
}
