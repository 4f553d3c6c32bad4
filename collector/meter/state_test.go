package meter

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
)

func TestRestoreRefusesWhatIsNotItsOwn(t *testing.T) {
	f := New(Run, Rules{})
	addAll(f, []reading.Reading{
		{Channel: reading.Channel{Device: "d", Quantity: reading.RunHours}, At: epoch, Value: 100},
		{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: epoch, Value: 1},
		{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: epoch.Add(time.Minute), Value: 0},
	})
	good := f.State()
	require.NoError(t, New(Run, Rules{}).Restore(good))
	require.Less(t, len(good), 2048)

	other := slices.Clone(good)
	other[0]++
	for name, bad := range map[string][]byte{
		"none":          nil,
		"other version": other,
		"cut off":       good[:len(good)-1],
		"more behind":   append(slices.Clone(good), 0),
		"other group":   New(Pulse, Rules{}).State(),
	} {
		g := New(Run, Rules{})
		require.ErrorIs(t, g.Restore(bad), ErrState, name)
		require.Equal(t, New(Run, Rules{}).State(), g.State(), "empty after a refusal")
	}
}

func FuzzRestore(f *testing.F) {
	fold := New(Run, Rules{})
	fold.Add(reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunHours}, At: epoch, Value: 100})
	f.Add(fold.State())
	f.Add(New(Pulse, Rules{}).State())
	f.Fuzz(func(t *testing.T, state []byte) {
		for _, g := range []Group{Run, Pulse, Dose} {
			fold := New(g, Rules{CM3PerStroke: 0.3})
			if fold.Restore(state) != nil {
				continue
			}
			// Whatever it holds, folding on must not break.
			for i := range 40 {
				for _, q := range []reading.Quantity{reading.RunHours, reading.RunRunning, reading.PulseCount, reading.PulseIncrement, reading.DoseStrokes} {
					fold.Add(reading.Reading{Channel: reading.Channel{Device: "d", Quantity: q}, At: epoch.Add(time.Duration(i) * time.Minute), Value: float64(i % 2), Count: int64(i)})
				}
			}
			fold.Flush(epoch.Add(time.Hour))
			fold.Every()
		}
	})
}

func TestCadenceIsTheMedianOfTheLastSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOf(rapid.Int64Range(-1, 50)).Draw(t, "steps")
		var c Cadence
		var taken []int64
		for _, s := range steps {
			c.Add(time.Duration(s) * time.Minute)
			if s > 0 {
				taken = append(taken, s)
			}
		}
		last := slices.Clone(taken[max(0, len(taken)-15):])
		every, ok := c.Every()
		require.Equal(t, len(taken) >= 3, ok)
		if len(last) == 0 {
			require.Zero(t, every)
			return
		}
		slices.Sort(last)
		require.Equal(t, time.Duration(last[len(last)/2])*time.Minute, every)
		require.True(t, c.valid())
	})
}

func TestEveryIsTheShortestChannel(t *testing.T) {
	f := New(Run, Rules{})
	require.Zero(t, f.Every())
	for i := range 240 {
		at := epoch.Add(time.Duration(i) * time.Minute)
		f.Add(reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: at, Value: 1})
		if i%60 == 0 {
			f.Add(reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunHours}, At: at, Value: float64(i) / 60})
		}
	}
	require.Equal(t, time.Minute, f.Every())
	require.Equal(t, 5*time.Minute, New(Run, Rules{Every: 5 * time.Minute}).Every(), "what is declared holds")
}

// The pieces that wait for a counter are bounded, and joining them loses no
// run time.
func TestManyStatesBetweenTwoCounterReadings(t *testing.T) {
	f := New(Run, Rules{Every: 24 * time.Hour})
	hours := func(at time.Time, v float64) reading.Reading {
		return reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunHours}, At: at, Value: v, FromDevice: true}
	}
	f.Add(hours(epoch, 100))
	at := epoch
	for i := range 1000 { // 20 s on, 40 s off
		on := float64(1 - i%2)
		require.Empty(t, f.Add(reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: at, Value: on, FromDevice: true}))
		require.LessOrEqual(t, len(f.shape), maxPieces)
		at = at.Add(time.Duration(20+20*(i%2)) * time.Second)
	}
	out := f.Add(hours(at, 100+500*20.0/3600)) // 2.78 h, shown as it is
	require.LessOrEqual(t, len(out), maxPieces+1)
	var total float64
	for _, iv := range out {
		require.True(t, iv.Seen)
		require.LessOrEqual(t, iv.Amount, iv.To.Sub(iv.From).Hours()+1e-9)
		total += iv.Amount
	}
	require.InDelta(t, 500*20.0/3600, total, 1e-9)
}
