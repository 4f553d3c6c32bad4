package suspicion

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/meter"
	"dwindle/collector/reading"
)

var epoch = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// What each kind looks like is in the catalogue of faults, collector/testdata.
// Here is what holds for all readings.

var quantities = map[meter.Group][]reading.Quantity{
	meter.Run:   {reading.RunHours, reading.RunRunning, reading.RunSeconds},
	meter.Pulse: {reading.PulseCount, reading.PulseIncrement},
	meter.Dose:  {reading.DoseCM3, reading.DoseStrokes},
}

// anyReadings draws readings without regard to any sense.
func anyReadings(t *rapid.T, g meter.Group) (out []reading.Reading) {
	at := epoch
	last := map[reading.Quantity]float64{}
	for range rapid.IntRange(0, 120).Draw(t, "n") {
		at = at.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 60, 600, 3600, 3600, 90_000}).Draw(t, "step")) * time.Second)
		if rapid.IntRange(0, 9).Draw(t, "status") == 0 {
			out = append(out, reading.Reading{
				Channel: reading.Channel{Device: rapid.SampledFrom([]string{"d", "gw"}).Draw(t, "who"), Quantity: reading.StatusOnline},
				At:      at, Received: at, Value: float64(rapid.IntRange(0, 1).Draw(t, "online")),
			})
			continue
		}
		q := rapid.SampledFrom(quantities[g]).Draw(t, "quantity")
		v := last[q]
		switch rapid.IntRange(0, 7).Draw(t, "how") {
		case 0:
			v = max(0, v-float64(rapid.IntRange(0, 500).Draw(t, "down")))
		case 1:
			v += float64(rapid.IntRange(0, 5_000_000).Draw(t, "far"))
		case 2:
			v = rapid.SampledFrom([]float64{0, 100, 65535, math.MaxInt64 / 2}).Draw(t, "other")
		default:
			v += float64(rapid.IntRange(0, 20).Draw(t, "up")) / 4
		}
		if q == reading.RunRunning {
			v = float64(int(v) & 1)
		}
		last[q] = v
		late := time.Duration(rapid.SampledFrom([]int{1, 1, 600, 40_000}).Draw(t, "late")) * time.Second
		out = append(out, reading.Reading{
			Channel: reading.Channel{Device: "d", Quantity: q}, At: at, Received: at.Add(late),
			FromDevice: rapid.Bool().Draw(t, "own"), Value: v, Count: int64(v),
		})
	}
	return out
}

// seen is all that a watch says of readings, beside the meter.
type seen struct {
	Changes []Change
	Held    []bool
}

func (s *seen) add(w *Watch, m *meter.Fold, in []reading.Reading) {
	for _, r := range in {
		if r.Quantity == reading.StatusOnline {
			w.Online(r.At, r.Device != "d", r.Value != 0)
			continue
		}
		s.Changes = append(s.Changes, w.Add(r)...)
		for _, iv := range m.Add(r) {
			s.Changes = append(s.Changes, w.Settled(iv)...)
		}
		s.Held = append(s.Held, w.Holding())
	}
}

func eachGroup(t *testing.T, check func(t *rapid.T, g meter.Group)) {
	for _, g := range []meter.Group{meter.Run, meter.Pulse, meter.Dose} {
		t.Run(g.String(), func(t *testing.T) { rapid.Check(t, func(t *rapid.T) { check(t, g) }) })
	}
}

func TestCheckpointChangesNothing(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g meter.Group) {
		in := anyReadings(t, g)
		var want, got seen
		whole, m := New(g), meter.New(g, meter.Rules{})
		want.add(whole, m, in)

		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		first, second, n := New(g), New(g), meter.New(g, meter.Rules{})
		got.add(first, n, in[:cut])
		require.NoError(t, second.Restore(first.State(nil)))
		got.add(second, n, in[cut:])
		require.Equal(t, want, got)
		require.Equal(t, whole.State(nil), second.State(nil))
	})
}

func TestWhatBeginsIsNamedAndWhatEndsHadBegun(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g meter.Group) {
		var s seen
		w := New(g)
		s.add(w, meter.New(g, meter.Rules{}), anyReadings(t, g))
		open := map[Kind]time.Time{}
		for _, c := range s.Changes {
			switch {
			case c.Kind == Broke:
				require.Equal(t, c.At, c.Over)
				require.NotNil(t, c.Break)
				require.NotEmpty(t, c.Words)
			case c.Over.IsZero():
				require.NotContains(t, open, c.Kind)
				require.NotEmpty(t, c.Words)
				require.NotEmpty(t, c.Evidence)
				open[c.Kind] = c.At
			default:
				require.Equal(t, open[c.Kind], c.At)
				require.False(t, c.Over.Before(c.At))
				delete(open, c.Kind)
			}
		}
	})
}

// While a device is said to be offline, by whoever, what only repeats is no
// evidence; what moves, or was buffered, is.
func TestWhatIsRepeatedForADeviceThatIsOfflineIsNoEvidence(t *testing.T) {
	at := func(minute int) time.Time { return epoch.Add(time.Duration(minute) * time.Minute) }
	for _, gateway := range []bool{false, true} {
		w := New(meter.Pulse)
		changes := []Change{}
		add := func(minute int, count int64, late time.Duration) (repeated, returned bool) {
			changes = append(changes, w.Add(reading.Reading{
				Channel: reading.Channel{Device: "d", Quantity: reading.PulseCount}, At: at(minute), Received: at(minute).Add(late), FromDevice: true, Count: count,
			})...)
			return w.Repeated(), w.Returned()
		}
		requireAdd := func(minute int, count int64, late time.Duration, repeated, returned bool) {
			t.Helper()
			a, b := add(minute, count, late)
			require.Equal(t, [2]bool{repeated, returned}, [2]bool{a, b}, minute)
		}
		requireAdd(0, 100, time.Second, false, false)
		requireAdd(10, 100, time.Second, false, false)
		w.Online(at(15), gateway, false)
		requireAdd(20, 100, time.Second, true, false)
		requireAdd(25, 100, time.Hour, false, false) // the device's own word, late
		requireAdd(30, 100, time.Second, true, false)
		require.Empty(t, changes)
		requireAdd(40, 100, time.Second, true, false)
		require.Len(t, changes, 1)
		require.Equal(t, Repeats, changes[0].Kind)
		require.True(t, w.Holding())
		w.Online(at(45), !gateway, true) // the other one does not speak for it
		requireAdd(50, 100, time.Second, true, false)
		w.Online(at(55), gateway, true)
		requireAdd(60, 100, time.Second, false, true)
		require.Len(t, changes, 2)
		require.Equal(t, at(60), changes[1].Over)
		require.False(t, w.Holding())
		// A status that is wrong is believed until the counter belies it.
		w.Online(at(65), gateway, false)
		requireAdd(70, 100, time.Second, true, false)
		requireAdd(80, 101, time.Second, false, true)
		requireAdd(90, 101, time.Second, false, false)
		requireAdd(100, 102, time.Second, false, false)
		require.Len(t, changes, 2)
		requireAdd(110, 103, time.Second, false, false)
		require.Len(t, changes, 3)
		require.Equal(t, Disagrees, changes[2].Kind)
		require.False(t, w.Holding())
		w.Online(at(115), gateway, true)
		requireAdd(120, 104, time.Second, false, false)
		require.Len(t, changes, 4)
		require.Equal(t, at(120), changes[3].Over)
	}
}

// A counter that does what counters do is not suspected, at whatever pace and
// interval, at work or not, with whole or fine digits, restarts included.
func TestSoundCountersAreNotSuspected(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g meter.Group) {
		q := map[meter.Group]reading.Quantity{meter.Run: reading.RunHours, meter.Pulse: reading.PulseCount, meter.Dose: reading.DoseCM3}[g]
		perHour := map[meter.Group]float64{meter.Run: 1, meter.Pulse: 40, meter.Dose: 2}[g]
		digit := rapid.SampledFrom([]float64{1, 0.1, 0.01}).Draw(t, "digit")
		if g == meter.Pulse {
			digit = 1
		}
		minutes := rapid.SampledFrom([]int{1, 10, 60, 480, 1440}).Draw(t, "every")
		truth := float64(rapid.IntRange(0, 40_000).Draw(t, "start"))
		w := New(g)
		at := epoch
		for range rapid.IntRange(2, 300).Draw(t, "n") {
			step := time.Duration(minutes) * time.Minute * time.Duration(rapid.IntRange(1, 3).Draw(t, "missed"))
			at = at.Add(step)
			if rapid.Bool().Draw(t, "on") {
				truth += perHour * step.Hours() * rapid.Float64Range(0.1, 1).Draw(t, "share")
			}
			if rapid.IntRange(0, 60).Draw(t, "restart") == 0 {
				truth = 0
			}
			v := math.Floor(truth/digit) * digit
			for _, c := range w.Add(reading.Reading{
				Channel: reading.Channel{Device: "d", Quantity: q}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: v, Count: int64(v),
			}) {
				t.Fatalf("%s %s", c.Words, c.Evidence)
			}
			require.False(t, w.Holding())
		}
	})
}

func TestSwappedPairsDoNotDependOnTheOrder(t *testing.T) {
	at := func(minute int) time.Time { return epoch.Add(time.Duration(minute) * time.Minute) }
	named := func(device string, minute int, from, to float64) Named {
		return Named{device, Break{reading.PulseCount, at(minute - 60), at(minute), from, to}}
	}
	list := []Named{
		named("d-1", 0, 15234, 800), named("d-2", 5, 798, 15236),
		named("d-3", 6, 5000, 3),                                   // a restart of its own
		named("d-4", 300, 700, 9000), named("d-5", 310, 9000, 701), // another pair, hours later
		named("d-6", 900, 50, 7000), named("d-7", 1300, 7000, 50), // too far apart in time
		named("d-8", 8, 20, 40), named("d-9", 8, 40, 20), // too close to tell
	}
	rapid.Check(t, func(t *rapid.T) {
		got := Swapped(rapid.Permutation(list).Draw(t, "order"))
		require.Len(t, got, 2)
		require.Equal(t, []string{"d-1", "d-2", "d-5", "d-4"}, []string{got[0].A.Device, got[0].B.Device, got[1].A.Device, got[1].B.Device})
	})
	words, evidence := Swapped(list)[0].Words("d-2")
	require.Contains(t, words, "where d-1 had been")
	require.Equal(t, "d-2: 798, then 15236; d-1: 15234, then 800", evidence)
}

func TestKindsHaveAWordAndARemedy(t *testing.T) {
	var words []string
	for k := range kinds {
		require.NotEmpty(t, k.Try(), k)
		back, ok := ParseKind(k.String())
		require.True(t, ok)
		require.Equal(t, k, back)
		words = append(words, k.String())
	}
	slices.Sort(words)
	require.Len(t, slices.Compact(words), int(kinds))
}

func FuzzRestore(f *testing.F) {
	w := New(meter.Pulse)
	f.Add(w.State(nil))
	for i := range 20 {
		w.Add(reading.Reading{Channel: reading.Channel{Quantity: reading.PulseCount}, At: epoch.Add(time.Duration(i) * time.Hour), Count: int64(i % 2 * 500)})
	}
	f.Add(w.State(nil))
	f.Fuzz(func(t *testing.T, state []byte) {
		w := New(meter.Run)
		if w.Restore(state) != nil {
			return
		}
		for i := range 5 {
			at := epoch.Add(time.Duration(i) * time.Hour)
			w.Add(reading.Reading{Channel: reading.Channel{Quantity: reading.RunHours}, At: at, Received: at, Value: float64(i), FromDevice: true})
			w.Add(reading.Reading{Channel: reading.Channel{Quantity: reading.RunRunning}, At: at, Received: at, Value: 1})
			w.Settled(meter.Interval{From: at, To: at.Add(time.Hour), Flags: reading.Rewind})
			w.Holding()
		}
	})
}

// Nothing is worded again for each reading while a suspicion lasts.
func TestASuspicionThatLastsAllocatesNothing(t *testing.T) {
	for name, c := range map[string]struct {
		kind Kind
		step int64 // of the counter in an hour, s
		late time.Duration
	}{
		"a clock that is behind":           {ClockSlow, 3600, 10 * time.Minute},
		"milliseconds in place of seconds": {Unit, 3_600_000, time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			w := New(meter.Run)
			hours := int64(0)
			next := func() {
				hours++
				at := epoch.Add(time.Duration(hours) * time.Hour)
				w.Add(reading.Reading{
					Channel: reading.Channel{Device: "d", Quantity: reading.RunSeconds}, At: at, Received: at.Add(c.late),
					FromDevice: true, Count: c.step * hours, Value: float64(c.step * hours),
				})
			}
			for range 100 {
				next()
			}
			require.NotZero(t, w.s.Open[c.kind], "it is suspected by now")
			require.Zero(t, testing.AllocsPerRun(100, next))
		})
	}
}

// The watch beside the meter that it watches with: compare the two.
func BenchmarkWatch(b *testing.B) {
	in := make([]reading.Reading, 4096)
	for i := range in {
		at := epoch.Add(time.Duration(i) * 10 * time.Minute)
		in[i] = reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunHours}, At: at, Received: at, FromDevice: true, Value: float64(i) / 8}
	}
	b.Run("meter", func(b *testing.B) {
		b.ReportAllocs()
		m := meter.New(meter.Run, meter.Rules{})
		for i := range b.N {
			if i%len(in) == 0 {
				m.Reset(meter.Run, meter.Rules{})
			}
			m.Add(in[i%len(in)])
		}
	})
	b.Run("watch", func(b *testing.B) {
		b.ReportAllocs()
		w := New(meter.Run)
		for i := range b.N {
			if i%len(in) == 0 {
				w.Reset(meter.Run)
			}
			w.Add(in[i%len(in)])
		}
	})
}
