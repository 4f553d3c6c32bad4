package reading

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// competing draws readings that compete for one entry of the journal.
func competing(t *rapid.T, q Quantity) []Reading {
	base := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Reading {
		n := rapid.Int64Range(0, 3).Draw(t, "value")
		r := Reading{
			Channel:    Channel{Device: "conveyor-1", Quantity: q},
			At:         base,
			Received:   base.Add(time.Duration(rapid.IntRange(0, 3).Draw(t, "received")) * time.Second),
			FromDevice: rapid.Bool().Draw(t, "own"),
			Value:      float64(n), Count: n,
			Flags: Flags(rapid.SampledFrom([]int{0, int(Retained), int(ReceiveTime)}).Draw(t, "flags")),
		}
		if q == PulseIncrement {
			r.Key = "a"
			r.At = base.Add(time.Duration(rapid.IntRange(0, 2).Draw(t, "at")) * time.Second)
		}
		return r
	}), 1, 8).Draw(t, "readings")
}

func reduce(list []Reading) Reading {
	out := list[0]
	for _, r := range list[1:] {
		out, _ = Resolve(out, r)
	}
	return out
}

func TestResolveDoesNotDependOnArrival(t *testing.T) {
	for _, q := range []Quantity{RunHours, PulseCount, LevelCM3, RunRunning, PulseIncrement} {
		t.Run(string(q), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				list := competing(t, q)
				want := reduce(list)
				require.Equal(t, want, reduce(rapid.Permutation(list).Draw(t, "order")))
				// Grouped in any way as well, as batches are.
				if cut := rapid.IntRange(0, len(list)).Draw(t, "cut"); cut > 0 && cut < len(list) {
					grouped, _ := Resolve(reduce(list[:cut]), reduce(list[cut:]))
					require.Equal(t, want, grouped)
				}
				once, _ := Resolve(want, want)
				require.Equal(t, want, once, "the same again changes nothing")
				differ := slices.ContainsFunc(list, func(r Reading) bool { return !SameValue(r, list[0]) })
				require.Equal(t, differ, want.Flags&Conflict != 0)
			})
		})
	}
}

func TestResolveRules(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	hours := func(v float64, received int) Reading {
		return Reading{Channel: Channel{"elevator-2", RunHours}, At: at, Received: at.Add(time.Duration(received) * time.Second), Value: v}
	}
	win, lose := Resolve(hours(120.5, 1), hours(120.4, 9))
	require.Equal(t, 120.5, win.Value, "a cumulative counter keeps the larger")
	require.Equal(t, 120.4, lose.Value)
	require.NotZero(t, win.Flags&Conflict)

	level := func(v float64, received int) Reading {
		r := hours(v, received)
		r.Quantity = LevelPercent
		return r
	}
	win, lose = Resolve(level(80, 9), level(90, 1))
	require.Equal(t, 80.0, win.Value, "anything else keeps the later received")
	require.Equal(t, 90.0, lose.Value)

	win, _ = Resolve(hours(120.5, 9), hours(120.5, 1))
	require.Zero(t, win.Flags&Conflict, "the same value is a duplicate, no conflict")
	require.Equal(t, at.Add(time.Second), win.Received, "the first report stands")

	// Neighbours beyond 2^53 differ although their floats are equal.
	big := func(n int64) Reading {
		return Reading{Channel: Channel{"lub-7", PulseCount}, At: at, Received: at, Count: n, Value: float64(n)}
	}
	win, _ = Resolve(big(1<<62), big(1<<62+1))
	require.EqualValues(t, 1<<62+1, win.Count)
}

func TestCompareIsTheKey(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	a := Reading{Channel: Channel{"lub-1", PulseCount}, At: at}
	b := a
	b.At = at.Add(time.Millisecond)
	require.Negative(t, Compare(a, b))
	require.False(t, SameEntry(a, b))
	b = a
	b.Value, b.Received = 7, at.Add(time.Hour)
	require.Zero(t, Compare(a, b))
	require.True(t, SameEntry(a, b))
	inc := Reading{Channel: Channel{"lub-1", PulseIncrement}, At: at, Key: "k1"}
	late := inc
	late.At = at.Add(time.Hour)
	require.True(t, SameEntry(inc, late), "increments are keyed by their id")
	late.Key = "k2"
	require.False(t, SameEntry(inc, late))
}

func TestFlagsRoundTrip(t *testing.T) {
	require.Equal(t, "", Flags(0).String())
	require.Equal(t, "gap lower_bound", (Gap | LowerBound).String())
	require.Equal(t, len(flagWords), 16, "each flag has its word")
	require.Equal(t, Suspect, Flags(1)<<(len(flagWords)-1))
	for bits := Flags(0); bits < 1<<len(flagWords); bits += 7 {
		back, err := ParseFlags(bits.String())
		require.NoError(t, err)
		require.Equal(t, bits, back)
	}
	_, err := ParseFlags("gap wet")
	require.ErrorContains(t, err, `"wet"`)
}
