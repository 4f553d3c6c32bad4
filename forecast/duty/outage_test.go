package duty

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// Uptime per day of an alternating renewal process with exponential times
// (2 U^2 L^2/(U+L)^3): runs of 50 and stops of 5 days give a variance of
// 0.7513, 30 and 10 give 2.8125.
func TestOutageVariance(t *testing.T) {
	o := outages{rate: 1.0 / 50, length: 5}
	require.InDelta(t, 0.7513, o.variancePerDay(), 5e-5)
	require.InDelta(t, 0.90909, o.up(), 5e-6)
	o = outages{rate: 1.0 / 30, length: 10}
	require.InDelta(t, 2.8125, o.variancePerDay(), 1e-12)
	var none outages
	l := none.until(100)
	mean, variance := l.of(30, 4, 1)
	require.Equal(t, 30.0, mean)
	require.Equal(t, 4.0, variance)
}

func TestOutagesAreFound(t *testing.T) {
	history := make([]Day, 140)
	for i := range history {
		history[i] = Day{Type: config.DayType(i % 7), Amount: 8, Seen: 1}
		if i%7 > 4 {
			history[i].Amount = 0
		}
	}
	out := make([]bool, len(history))
	o, idle := findOutages(history, 24, out)
	require.Zero(t, o.count)
	require.Zero(t, o.rate)
	require.NotContains(t, out, true)
	require.Equal(t, Shift, classify(&idle))
	// One idle Tuesday is none; Tuesday to Friday is one.
	history[22].Amount = 0
	for i := 64; i <= 67; i++ {
		history[i].Amount = 0
	}
	o, _ = findOutages(history, 24, out)
	require.Equal(t, 1, o.count)
	require.Equal(t, 4.0, o.lostDays)
	require.False(t, out[22])
	require.Equal(t, []bool{false, true, true, true, true, false}, out[63:69])
	require.InDelta(t, (4.0+5)/2, o.length, 1e-12)
	require.InDelta(t, 1.25/(136+100), o.rate, 1e-12)
	// A missing day inside neither breaks nor lengthens it.
	history[65].Seen = 0
	o, _ = findOutages(history, 24, out)
	require.Equal(t, 1, o.count)
	// A long stop in a short history does not pass for the habit.
	short := history[:42]
	for i := 14; i < 42; i++ {
		short[i].Amount = 0
	}
	o, _ = findOutages(short, 24, out[:42])
	require.Equal(t, 1, o.count)
	require.True(t, o.now)
}

// Weights discount^age sum to 1/(1-0.995) = 200 minus what lies before the
// first day; half of it after ln 0.5/ln 0.995 = 138 days.
func TestDiscount(t *testing.T) {
	var s sums
	history := make([]Day, 276)
	for i := range history {
		history[i] = Day{Type: config.Monday, Amount: 1, Seen: 1}
	}
	s.add(history[:138], 0)
	half := s.w[config.Monday]
	s = sums{}
	s.add(history, 0)
	require.InDelta(t, 0.5, half*(1-discount), 0.001)
	require.InDelta(t, 0.75, s.w[config.Monday]*(1-discount), 0.001)
}
