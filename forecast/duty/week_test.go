package duty_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/duty"
)

// Seven days are repeated; a day not seen is that of the week before, a day seen
// in part counts as a whole one, a shutdown has no duty, and the variance is
// that of days a week apart for each week ahead.
func TestLastWeekRepeated(t *testing.T) {
	var history []duty.Day
	for i := range 63 {
		amount := float64(1 + i%7)
		if i%14 >= 7 {
			amount += 2 // days a week apart differ by 2
		}
		history = append(history, duty.Day{Type: config.DayType(i % 7), Amount: amount, Seen: 1})
	}
	history[60].Seen = 0                          // a Friday: of the week before
	history[61].Amount, history[61].Seen = 4, 0.5 // a Saturday: 8 a day
	m := duty.Fit(history, nil)
	require.Equal(t, duty.RungMixture, m.Rung())
	future := make([]config.DayType, 15)
	for i := range future {
		future[i] = config.DayType(i % 7)
	}
	future[8] = config.ShutdownType
	c := m.LastWeek(future, 0.5)
	want := []float64{0.5, 2, 3, 4, 7, 8, 7, 1, 0, 3, 4, 7, 8, 7, 1} // the ninth week is of the low kind
	sum := 0.0
	for i, x := range want {
		sum += x
		require.InDelta(t, sum, c.Mean[i+1], 1e-9, "day %d", i)
	}
	perDay := c.Var[2] - c.Var[1]
	require.InEpsilon(t, 4, perDay, 0.06, "but for the two days")
	require.InEpsilon(t, perDay/2, c.Var[1], 1e-9)
	require.InEpsilon(t, 2*perDay, c.Var[10]-c.Var[9], 1e-9, "two weeks ahead")
	require.Equal(t, c, m.KeepWeek().LastWeek(future, 0.5))
	require.Zero(t, m.Keep().LastWeek(future, 0.5).Days())
	short := duty.Fit(history[:20], nil)
	require.Zero(t, short.LastWeek(future, 1).Days())
}
