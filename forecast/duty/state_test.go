package duty_test

import (
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
	"dwindle/forecast/duty"
)

// drawLongHistory is long enough for days to leave the window several times,
// with gaps, part days, holidays, planned shutdowns and stops.
func drawLongHistory(t *rapid.T) []duty.Day {
	week := rapid.SampledFrom([][7]float64{shifts, {20, 20, 20, 20, 20, 20, 20}, {0, 0, 9, 0, 0, 0, 0}}).Draw(t, "week")
	out := noisy(rapid.IntRange(0, 300).Draw(t, "days"), week, rapid.SampledFrom([]float64{0, 0.2, 0.9}).Draw(t, "cv"))
	for range rapid.IntRange(0, 6).Draw(t, "events") {
		if len(out) == 0 {
			break
		}
		from := rapid.IntRange(0, len(out)-1).Draw(t, "from")
		to := min(len(out), from+rapid.IntRange(1, 90).Draw(t, "length"))
		kind := rapid.IntRange(0, 4).Draw(t, "kind")
		for i := from; i < to; i++ {
			d := &out[i]
			switch kind {
			case 0:
				d.Amount = 0
			case 1:
				d.Amount, d.Seen = 0, 0
			case 2:
				d.Amount, d.Seen = 0.3*d.Amount, 0.3
			case 3:
				d.Type, d.Amount = config.ShutdownType, 0
			case 4:
				d.Amount *= 1.7
			}
		}
	}
	return out
}

// A state that was kept, written and read back anywhere on the way gives bit by
// bit the model that Fit makes from all of history.
func TestAnySplitOfHistoryIsTheSame(t *testing.T) {
	rules := duty.Rules{MaxPerDay: 24}
	rapid.Check(t, func(t *rapid.T) {
		history := drawLongHistory(t)
		plan := &duty.Plan{PerWeek: 80}
		want := rules.Fit(history, plan)
		s := rules.State()
		for i, d := range history {
			if rapid.IntRange(0, 40).Draw(t, "restart") == 0 {
				b, err := s.MarshalBinary()
				require.NoError(t, err)
				var read duty.State
				require.NoError(t, read.UnmarshalBinary(b))
				if s != read {
					t.Fatalf("day %d: another state is read than was written", i)
				}
				s = read
			}
			s.Add(d)
			if i == len(history)/2 {
				// Asking changes nothing.
				if rules.Fit(history[:i+1], plan) != s.Model(plan, duty.Fleet{}) {
					t.Fatalf("day %d: another model", i)
				}
			}
		}
		if want != s.Model(plan, duty.Fleet{}) {
			t.Fatal("another model at the end")
		}
	})
}

// The state of any history takes 5 kB, and its binary form no larger.
func TestStateIsBounded(t *testing.T) {
	require.LessOrEqual(t, unsafe.Sizeof(duty.State{}), uintptr(5000))
	s := duty.Rules{MaxPerDay: 24}.State()
	least, err := s.MarshalBinary()
	require.NoError(t, err)
	require.Less(t, len(least), 300)
	for _, d := range noisy(4000, shifts, 0.3) {
		s.Add(d)
	}
	b, err := s.AppendBinary([]byte("before"))
	require.NoError(t, err)
	require.Equal(t, "before", string(b[:6]))
	require.LessOrEqual(t, len(b), 5000)
	require.InDelta(t, 86.0/7, s.Model(nil, duty.Fleet{}).PerDay(), 0.5)
	require.Zero(t, testing.AllocsPerRun(200, func() { s.Add(duty.Day{Type: config.Monday, Amount: 16, Seen: 1}) }))
	require.Zero(t, testing.AllocsPerRun(5, func() { s.Model(nil, duty.Fleet{}) }))
}

func TestDamagedStatesAreRefused(t *testing.T) {
	s := duty.Rules{MaxPerDay: 24}.State()
	for _, d := range noisy(150, shifts, 0.3) {
		s.Add(d)
	}
	b, err := s.MarshalBinary()
	require.NoError(t, err)
	kept := s
	for n := range b {
		require.ErrorIs(t, s.UnmarshalBinary(b[:n]), duty.ErrStateForm)
	}
	require.ErrorIs(t, s.UnmarshalBinary(append(b, 0)), duty.ErrStateForm)
	other := append([]byte{}, b...)
	other[0]++
	require.ErrorIs(t, s.UnmarshalBinary(other), duty.ErrStateVersion)
	require.Equal(t, kept, s, "as it was")
	require.NoError(t, s.UnmarshalBinary(b))
}

// Whatever the bytes, reading them fails or gives a state that can go on.
func FuzzUnmarshalState(f *testing.F) {
	s := duty.Rules{MaxPerDay: 24}.State()
	for i, d := range noisy(200, shifts, 0.3) {
		if i%50 == 0 {
			b, err := s.MarshalBinary()
			require.NoError(f, err)
			f.Add(b)
		}
		s.Add(d)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var s duty.State
		if s.UnmarshalBinary(b) != nil {
			require.Equal(t, duty.State{}, s)
			return
		}
		again, err := s.MarshalBinary()
		require.NoError(t, err)
		require.Equal(t, b, again)
		for _, d := range days(100, shifts) {
			s.Add(d)
		}
		s.Model(nil, duty.Fleet{}).Forecast(ordinary(60, config.Monday), 1)
	})
}

// In histories much longer than the window: missing days are no days without
// use, part days count in part, and planned shutdowns only let time pass.
func TestLongHistoriesKeepMissingFromZero(t *testing.T) {
	whole := noisy(350, shifts, 0.1)
	plain := duty.Fit(whole, nil)
	change := func(how func(i int, d *duty.Day)) duty.Model {
		history := append([]duty.Day{}, whole...)
		for i := range history {
			how(i, &history[i])
		}
		return duty.Fit(history, nil)
	}
	missing := change(func(i int, d *duty.Day) {
		if i%11 < 3 {
			d.Amount, d.Seen = 0, 0
		}
	})
	require.InEpsilon(t, plain.PerDay(), missing.PerDay(), 0.02)
	require.InDelta(t, 350*8.0/11, missing.Seen(), 3)
	part := change(func(i int, d *duty.Day) {
		if i%5 < 2 {
			d.Amount, d.Seen = 0.25*d.Amount, 0.25
		}
	})
	require.InEpsilon(t, plain.PerDay(), part.PerDay(), 0.02)
	require.InDelta(t, 350*(0.6+0.1), part.Seen(), 1e-9)
	shut := change(func(i int, d *duty.Day) {
		if i >= 140 && i < 196 {
			d.Type, d.Amount = config.ShutdownType, 0
		}
	})
	require.InEpsilon(t, plain.PerDay(), shut.PerDay(), 0.02)
	require.InEpsilon(t, plain.Day(config.Saturday), shut.Day(config.Saturday), 0.05)
	require.Equal(t, 350.0-56, shut.Seen())
	zero := change(func(i int, d *duty.Day) {
		if i%11 < 3 {
			d.Amount = 0
		}
	})
	require.Less(t, zero.PerDay(), 0.85*plain.PerDay(), "seen and idle is another thing")
}
