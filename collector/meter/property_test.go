package meter

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
)

var epoch = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// move is one step of a meaningless counter.
type move struct {
	stepMs   int
	quantity int
	how      string
	by       int64 // hundredths
	delayMs  int
}

var moves = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) move {
	return move{
		stepMs:   rapid.SampledFrom([]int{60_000, 0, 1, 30, 500, 60_000, 60_000, 600_000, 3_600_000, 100_000_000}).Draw(t, "step"),
		quantity: rapid.IntRange(0, 2).Draw(t, "quantity"),
		how:      rapid.SampledFrom([]string{"up", "up", "up", "same", "fall", "jump", "zero", "width"}).Draw(t, "how"),
		by:       rapid.Int64Range(0, 2000).Draw(t, "by"),
		delayMs:  rapid.IntRange(0, 5000).Draw(t, "delay"),
	}
}), 0, 60)

// anyReadings draws readings of a group without regard to any sense: values
// rise, fall, stand still and jump.
func anyReadings(t *rapid.T, g Group) []reading.Reading {
	quantities := map[Group][]reading.Quantity{
		Run:   {reading.RunHours, reading.RunRunning, reading.RunSeconds},
		Pulse: {reading.PulseCount, reading.PulseCount, reading.PulseIncrement},
		Dose:  {reading.DoseCM3, reading.DoseStrokes, reading.DoseStrokes},
	}[g]
	at := epoch
	last := map[reading.Quantity]float64{}
	var out []reading.Reading
	for i, m := range moves.Draw(t, "moves") {
		at = at.Add(time.Duration(m.stepMs) * time.Millisecond)
		q := quantities[m.quantity]
		v := last[q]
		switch m.how {
		case "up":
			v += float64(m.by) / 1000
		case "fall":
			v = max(0, v-float64(m.by)/100)
		case "jump":
			v += float64(m.by) * 5000
		case "zero":
			v = 0
		case "width":
			v = []float64{250, 65530, 2147483640, 4294967290, 1193.04}[m.by%5]
		}
		v = math.Round(v*100) / 100
		last[q] = v
		r := reading.Reading{
			Channel: reading.Channel{Device: "d", Quantity: q}, At: at, FromDevice: true, Value: v,
			Received: at.Add(time.Duration(m.delayMs) * time.Millisecond),
		}
		switch {
		case q == reading.RunRunning:
			r.Value = float64(m.by % 2)
		case q == reading.PulseIncrement:
			r.Count = m.by % 4
			r.Value = float64(r.Count)
			r.Key = fmt.Sprint(i)
		case q.Exact():
			r.Count = int64(v)
			r.Value = float64(r.Count)
		}
		out = append(out, r)
	}
	return settle(out)
}

// settle is what the journal does: one reading per entry, in order.
func settle(list []reading.Reading) []reading.Reading {
	var out []reading.Reading
	for _, r := range list {
		i := slices.IndexFunc(out, func(o reading.Reading) bool { return reading.SameEntry(o, r) })
		if i < 0 {
			out = append(out, r)
		} else {
			out[i], _ = reading.Resolve(out[i], r)
		}
	}
	slices.SortFunc(out, reading.Compare)
	return out
}

func anyRules(t *rapid.T) Rules {
	return Rules{
		Every:        time.Duration(rapid.SampledFrom([]int{0, 0, 60, 600, 3600}).Draw(t, "every")) * time.Second,
		MaxPerHour:   rapid.SampledFrom([]float64{0, 0, 30, 1000}).Draw(t, "max"),
		CM3PerStroke: 0.25,
	}
}

func eachGroup(t *testing.T, check func(t *rapid.T, g Group)) {
	for _, g := range []Group{Run, Pulse, Dose} {
		t.Run(g.String(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) { check(t, g) })
		})
	}
}

func TestIntervalsAreInOrderAndSane(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g Group) {
		in := anyReadings(t, g)
		var until time.Time
		for _, iv := range addAll(New(g, anyRules(t)), in) {
			require.False(t, iv.To.Before(iv.From), "%v", iv)
			require.False(t, iv.From.Before(until), "%v begins before %v", iv, until)
			until = iv.To
			require.GreaterOrEqual(t, iv.Amount, 0.0)
			require.False(t, math.IsNaN(iv.Amount) || math.IsInf(iv.Amount, 0))
			require.False(t, iv.Seen && !iv.Known, "what is seen is known")
			if !iv.Known {
				require.Zero(t, iv.Amount)
			}
		}
		if len(in) > 0 {
			require.False(t, until.After(in[len(in)-1].At))
		}
	})
}

func TestNoMoreThanPhysicallyPossible(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g Group) {
		rules := anyRules(t)
		var in []reading.Reading
		var events float64
		for _, r := range anyReadings(t, g) {
			if r.Quantity == reading.PulseIncrement {
				// Increments are what they are; they have no rate to check.
				events += r.Value
			}
			in = append(in, r)
		}
		if len(in) == 0 {
			return
		}
		f := New(g, rules)
		var total float64
		for _, iv := range addAll(f, in) {
			total += iv.Amount
		}
		hours := in[len(in)-1].At.Sub(in[0].At).Hours()
		// Beside the rate, the display's step may come at once: 1 h at most
		// for hours, ten pulses, 5 cm3; each of two counters once.
		atOnce := map[Group]float64{Run: 1, Pulse: 10, Dose: 5}[g]
		most := f.lead.perHour*hours + 2*atOnce + events
		require.LessOrEqual(t, total, most*(1+1e-9))
	})
}

func TestCheckpointChangesNothing(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g Group) {
		in := anyReadings(t, g)
		rules := anyRules(t)
		whole := New(g, rules)
		want := addAll(whole, in)
		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		first, second := New(g, rules), New(g, rules)
		got := addAll(first, in[:cut])
		require.NoError(t, second.Restore(first.State()))
		got = append(got, addAll(second, in[cut:])...)
		require.Equal(t, want, got)
		require.Equal(t, whole.State(), second.State())
		last := epoch.Add(1000 * time.Hour)
		require.Equal(t, whole.Flush(last), second.Flush(last))
	})
}

func TestArrivalOrderChangesNothing(t *testing.T) {
	eachGroup(t, func(t *rapid.T, g Group) {
		in := anyReadings(t, g)
		rules := anyRules(t)
		// Repeats with the same and with another value for one time.
		arrivals := slices.Clone(in)
		for _, r := range in {
			if rapid.IntRange(0, 3).Draw(t, "again") == 0 {
				r.Received = r.Received.Add(time.Second)
				if rapid.Bool().Draw(t, "differs") && r.Key == "" && r.Quantity != reading.RunRunning {
					r.Value++
					r.Count++
				}
				arrivals = append(arrivals, r)
			}
		}
		want := addAll(New(g, rules), settle(arrivals))
		got := addAll(New(g, rules), settle(rapid.Permutation(arrivals).Draw(t, "order")))
		require.Equal(t, want, got)
	})
}

// A sound counter loses nothing, whatever the reporting interval: what is
// booked is what it went up by.
func TestSoundCounterIsBookedInFull(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := rapid.SampledFrom([]Group{Run, Pulse, Dose}).Draw(t, "group")
		q := map[Group]reading.Quantity{Run: reading.RunHours, Pulse: reading.PulseCount, Dose: reading.DoseCM3}[g]
		perHour := map[Group]float64{Run: 1, Pulse: 40, Dose: 2}[g]
		withState := g == Run && rapid.Bool().Draw(t, "state")
		start := float64(rapid.IntRange(0, 40_000).Draw(t, "start"))
		f := New(g, Rules{})
		at, truth := epoch, start
		var total, shown, first, digit float64
		for i := range rapid.IntRange(2, 80).Draw(t, "n") {
			on := rapid.Bool().Draw(t, "on")
			step := time.Duration(rapid.IntRange(1_000, 7_200_000).Draw(t, "step")) * time.Millisecond
			at = at.Add(step)
			if on {
				truth += perHour * step.Hours() * rapid.Float64Range(0.9, 1).Draw(t, "share")
			}
			shown = math.Floor(truth*100) / 100
			if g == Pulse {
				shown = math.Floor(truth)
			}
			if i == 0 {
				first = shown
			}
			in := []reading.Reading{{Channel: reading.Channel{Device: "d", Quantity: q}, At: at, FromDevice: true, Value: shown, Count: int64(shown)}}
			if withState {
				in = append(in, reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: at, FromDevice: true})
			}
			for _, iv := range addAll(f, in) {
				digit = max(digit, f.res())
				allowed := reading.Gap | reading.Disagreement
				if !iv.Known { // it stands at the largest value of a width
					allowed |= reading.LowerBound
				}
				require.Zero(t, iv.Flags&^allowed, show(iv))
				total += iv.Amount
			}
		}
		allowed := 1e-6
		if withState { // two steps of the display, as far as it was known
			allowed += 2 * digit
		}
		require.InDelta(t, shown-first, total, allowed)
	})
}

// The run time of a chattering contact is exact however short its states are.
func TestStateTimeIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := New(Run, Rules{Every: time.Hour})
		at, on := epoch, false
		var want, got time.Duration
		for range rapid.IntRange(1, 100).Draw(t, "n") {
			step := time.Duration(rapid.IntRange(1, 5_000).Draw(t, "step")) * time.Millisecond
			if on {
				want += step
			}
			at = at.Add(step)
			on = rapid.Bool().Draw(t, "on")
			r := reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.RunRunning}, At: at}
			if on {
				r.Value = 1
			}
			if got == 0 && want > 0 && f.s.State.Last == 0 {
				want = 0 // before the first message nothing is known
			}
			for _, iv := range f.Add(r) {
				require.GreaterOrEqual(t, iv.To.Sub(iv.From), DefaultDebounce)
				got += time.Duration(math.Round(iv.Amount * float64(time.Hour)))
			}
		}
		for _, iv := range f.Flush(at) {
			got += time.Duration(math.Round(iv.Amount * float64(time.Hour)))
		}
		require.InDelta(t, float64(want), float64(got), float64(time.Microsecond))
	})
}

// A counter that claims up to twice the possible rate is held to the rate for
// as long as it does so: what it may claim at once, it may claim once.
func TestFastCounterIsHeldToTheRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := New(Pulse, Rules{MaxPerHour: 60})
		var total float64
		count, minutes := int64(500), 0
		for i := range rapid.IntRange(2, 200).Draw(t, "n") {
			if i > 0 {
				step := rapid.IntRange(1, 10).Draw(t, "minutes")
				minutes += step
				count += rapid.Int64Range(int64(step), 2*int64(step)).Draw(t, "pulses")
			}
			r := reading.Reading{
				Channel: reading.Channel{Device: "d", Quantity: reading.PulseCount}, FromDevice: true,
				At: epoch.Add(time.Duration(minutes) * time.Minute), Count: count,
			}
			for _, iv := range f.Add(r) {
				require.True(t, iv.Known)
				total += iv.Amount
			}
		}
		require.LessOrEqual(t, total, float64(minutes)+10+1e-9)
		require.GreaterOrEqual(t, total, min(float64(minutes), float64(count-500))-1e-9)
	})
}
