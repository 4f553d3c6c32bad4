package duty

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

func TestOutagesAreFound(t *testing.T) {
	history := make([]Day, windowDays)
	for i := range history {
		history[i] = Day{Type: config.DayType(i % 7), Amount: 8, Seen: 1}
		if i%7 > 4 {
			history[i].Amount = 0
		}
	}
	// All in the window, and with the first part of it gone into the past.
	find := func(days []Day) (outages, idleness, []bool) {
		var s State
		for _, d := range days {
			s.add(d)
		}
		var out [windowDays]bool
		o, idle := findOutages(&s.recent, &s.past, &out)
		s.settle(&work{})
		var later [windowDays]bool
		o2, idle2 := findOutages(&s.recent, &s.past, &later)
		require.Equal(t, o, o2)
		require.Equal(t, idle, idle2)
		require.Equal(t, out[len(days)-s.recent.n:len(days)], later[:s.recent.n])
		return o, idle, out[:len(days)]
	}
	o, idle, out := find(history)
	require.Zero(t, o.count)
	require.Zero(t, o.law(400, StopPrior{}))
	require.NotContains(t, out, true)
	require.Equal(t, Shift, classify(&idle))
	// One idle Tuesday is none; a working week is one.
	history[15].Amount = 0
	for i := 28; i <= 32; i++ {
		history[i].Amount = 0
	}
	o, _, out = find(history)
	require.Equal(t, 1.0, o.count)
	require.Equal(t, 5.0, o.lostDays)
	require.False(t, out[15])
	require.Equal(t, []bool{false, true, true, true, true, true, false}, out[27:34])
	require.Equal(t, depletion.Stops{Begun: 1.25, Exposure: 58 + 100, Ended: 3, Extra: 3 + 4, Least: 2, Horizon: 400}, o.law(400, StopPrior{}))
	// A missing day inside neither breaks nor lengthens it.
	history[30].Seen = 0
	o, _, _ = find(history)
	require.Equal(t, 1.0, o.count)
	// A long stop in a short history does not pass for the habit.
	for i := 28; i < 63; i++ {
		history[i].Amount = 0
	}
	o, _, _ = find(history)
	require.Equal(t, 1.0, o.count)
	require.True(t, o.now)
}

// A stop longer than the window is one stop, and over when use is back.
func TestLongStopIsOneStop(t *testing.T) {
	var s State
	for i := range 300 {
		amount := 8.0
		if i%7 > 4 || i >= 100 && i < 280 {
			amount = 0
		}
		s.Add(Day{Type: config.DayType(i % 7), Amount: amount, Seen: 1})
		var out [windowDays]bool
		o, _ := findOutages(&s.recent, &s.past, &out)
		switch {
		case i < 100 || i == 299:
			require.False(t, o.now, i)
		case i > 110 && i < 280:
			require.True(t, o.now, i)
			require.Equal(t, 1.0, o.count, i)
			// From a Wednesday on; resting days count up to the last lost one.
			require.InDelta(t, float64(i-99), o.lostDays, 2, i)
		}
	}
	m := s.Model(nil, Fleet{})
	require.InDelta(t, 180, m.mix.outages.lostDays, 2)
	stops := m.mix.outages.law(0, StopPrior{})
	require.InDelta(t, 40.0/7*stops.Up(), m.PerDay(), 0.05)
}

// What happened years ago is forgotten: stops, and what spoke for a member.
func TestOldYearsAreForgotten(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 3))
	var s State
	add := func(days int, level, wander float64, stops bool) {
		for i := range days {
			amount := level * (1 + 0.1*r.NormFloat64())
			level *= 1 + wander*r.NormFloat64()
			if stops && i%60 < 10 {
				amount = 0
			}
			s.Add(Day{Type: config.DayType(i % 7), Amount: math.Max(0, amount), Seen: 1})
		}
	}
	steady := func() float64 {
		m := s.Model(nil, Fleet{})
		return m.mix.weights[0] + m.mix.weights[firstChange] + m.mix.weights[firstChange+1]
	}
	add(364, 16, 0.03, true)
	m := s.Model(nil, Fleet{})
	require.Greater(t, m.mix.outages.count, 5.0)
	require.Less(t, steady(), 0.05, "the level wanders")
	for range 3 {
		add(364, 8, 0, false)
		require.Less(t, s.past.days, 3.0*(halfMemory+leavingDays))
		require.GreaterOrEqual(t, s.past.days, float64(2*halfMemory-windowDays))
	}
	m = s.Model(nil, Fleet{})
	require.Zero(t, m.mix.outages.count)
	require.Greater(t, steady(), 0.7)
	require.InEpsilon(t, 8, m.PerDay(), 0.03)
	require.InDelta(t, 0.1*0.1, m.mix.levels[0].s2, 0.002)
}

// After the first mark was dropped the sums are those of the days since.
func TestForgettingKeepsTheRest(t *testing.T) {
	steps := make([]step, 400)
	r := rand.New(rand.NewPCG(5, 5))
	for i := range steps {
		steps[i] = step{h: 1, g: 1, y: 3 + r.NormFloat64()}
	}
	var whole, rest, old evidence
	for k := range steps {
		whole.add(&steps[k], 3)
		if k%40 == 39 {
			whole.places[whole.n] = place{whole.i, whole.b, 40}
			whole.n++
		}
	}
	old, rest = old.total(steps[:100], 3), rest.total(steps[100:], 3)
	whole.forget(old.i, old.b, old.q, 300)
	require.InDelta(t, rest.i, whole.i, 1e-9)
	require.InDelta(t, rest.b, whole.b, 1e-9)
	require.InDelta(t, rest.q, whole.q, 1e-9)
	require.Equal(t, 8, whole.n, "120, 160, ... 400")
	require.Equal(t, 20.0, whole.places[0].i)
	require.Equal(t, 300.0, whole.placed)
}

// What was idle before its first use did not stop.
func TestBeforeTheFirstUseIsNoStop(t *testing.T) {
	for _, before := range []int{20, 200} {
		var s State
		for i := range before + 50 {
			amount := 8.0
			if i < before {
				amount = 0
			}
			s.Add(Day{Type: config.DayType(i % 7), Amount: amount, Seen: 1})
		}
		m := s.Model(nil, Fleet{})
		require.Equal(t, RungMixture, m.Rung())
		require.Zero(t, m.mix.outages.count)
		require.InDelta(t, 8, m.PerDay(), 1e-6)
	}
}

// Weights discount^age sum to 1/(1-0.995) = 200 minus what lies before the
// first day; half of it after ln 0.5/ln 0.995 = 138 days.
func TestDiscount(t *testing.T) {
	var s sums
	for range 138 {
		s.add(config.Monday, 1, 1, false)
	}
	half := s.now()
	for range 138 {
		s.add(config.Monday, 1, 1, false)
	}
	require.InDelta(t, 0.5, half.w[config.Monday]*(1-discount), 0.001)
	require.InDelta(t, 0.75, s.now().w[config.Monday]*(1-discount), 0.001)
	// Years later the unit has been brought back, and the sums go on.
	for range 20000 {
		s.add(config.Monday, 1, 1, false)
	}
	require.Less(t, s.unit, 2*mostUnit)
	require.InDelta(t, 1, s.now().w[config.Monday]*(1-discount), 1e-9)
}
