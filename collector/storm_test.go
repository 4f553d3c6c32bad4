package collector

import (
	"context"
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// A storm of messages: what devices with faults sent, each message one to five
// times, in any order, in batches, with replays by the broker between. Totals
// must be those of an oracle to the unit, and all that is derived the same for
// every order.

// shownStep is one reading of a history, with what the generator knows of it.
type shownStep struct {
	after float64 // h since the reading before
	value int64   // as shown, in the smallest digit of the display
	what  string  // "", "glitch", "reset", "wrap", "other"
}

// total is the oracle: what was counted, of what was shown. It knows what
// happened, and nothing of how the meter finds it out.
func total(steps []shownStep, width int64) (sum int64) {
	var last int64
	for i, s := range steps {
		switch {
		case s.what == "glitch":
			continue
		case i == 0, s.what == "other": // another counter, or an old value of this one
		case s.what == "reset":
			sum += s.value
		case s.what == "wrap":
			sum += width - last + s.value
		default:
			sum += s.value - last
		}
		last = s.value
	}
	return sum
}

// history is what one device did.
type history struct {
	device, kind, field string
	digits              float64 // shown per unit: 1, or 100 for hundredths
	width               int64   // where its counter wraps; 0: nowhere near
	steps               []shownStep
}

// drawHistory draws a device with faults that are apart from each other, so
// that what each of them is can be told from the readings.
func drawHistory(t *rapid.T, h history, most int, start int64) history {
	every := rapid.SampledFrom([]float64{1. / 6, 1, 4}).Draw(t, "every")
	growth := func(hours float64) int64 {
		if h.width > 0 {
			// A wrap is told from a restart by its size where the pace is low.
			return int64(rapid.IntRange(0, 15).Draw(t, "growth"))
		}
		return int64(rapid.IntRange(0, int(float64(most)*hours*h.digits)).Draw(t, "growth"))
	}
	v, calm, restarted := start, 0, false
	for range rapid.IntRange(8, 35).Draw(t, "readings") {
		after, what := every, ""
		if rapid.IntRange(0, 12).Draw(t, "gap") == 0 {
			after *= float64(rapid.IntRange(5, 30).Draw(t, "missed"))
		}
		if calm++; calm > 5 {
			what = rapid.SampledFrom([]string{"", "", "", "glitch", "reset", "old", "other"}).Draw(t, "what")
		}
		if h.width > 0 || what == "old" && (restarted || v < 14_000) || what == "reset" && v >= 8900 && v < 10_000 {
			what = ""
		}
		next := v + growth(after)
		switch what {
		case "":
			if h.width > 0 && next >= h.width {
				next, what = next-h.width, "wrap"
			}
		case "glitch":
			calm = 0
			shown := rapid.SampledFrom([]int64{0, 1, 3_000_000, 16_000_000}).Draw(t, "shown")
			h.steps = append(h.steps, shownStep{after, shown, what})
			continue
		case "reset":
			if calm = 0; restarted {
				what = ""
				break
			}
			restarted = true
			next = min(growth(every), 5)
		case "old":
			calm, what = 0, "other"
			next = v - int64(rapid.IntRange(6000, 9000).Draw(t, "back"))
		case "other":
			calm = 0
			next = v + int64(rapid.IntRange(500_000, 600_000).Draw(t, "further"))
			restarted = true // too far from zero for what a restart looks like
		}
		v = next
		h.steps = append(h.steps, shownStep{after, v, what})
	}
	for range 3 { // so that nothing waits for the next reading
		v += growth(every)
		if h.width > 0 && v >= h.width {
			break
		}
		h.steps = append(h.steps, shownStep{every, v, ""})
	}
	return h
}

// weather is a storm: the histories, and the messages in the order of sending.
type weather struct {
	histories []history
	sent      []reading.Message
}

var storms = rapid.Custom(func(t *rapid.T) (w weather) {
	w.histories = []history{
		drawHistory(t, history{device: "elevator-1", kind: "run", field: "hours", digits: 100}, 1, 200_000),
		drawHistory(t, history{device: "d-1", kind: "pulse", field: "count", digits: 1}, 20, 15_000),
		drawHistory(t, history{device: "d-2", kind: "pulse", field: "count", digits: 1, width: 1 << 16}, 20, 1<<16-150),
		drawHistory(t, history{device: "d-3", kind: "dose", field: "strokes", digits: 1}, 8, 15_000),
	}
	for _, h := range w.histories {
		when := t0
		for _, s := range h.steps {
			when = when.Add(time.Duration(math.Round(s.after*3600)) * time.Second)
			value := fmt.Sprint(s.value)
			if h.digits != 1 {
				value = fmt.Sprintf("%.2f", float64(s.value)/h.digits)
			}
			w.sent = append(w.sent, message(h.device, h.kind, when.Add(time.Second), `{%q:%s,"at":%q}`, h.field, value, at(when)))
		}
	}
	w.statuses(t)
	for i := range 30 { // single pulses with an id
		when := t0.Add(time.Duration(i) * time.Hour)
		w.sent = append(w.sent, message("d-4", "pulse", when.Add(time.Second), `{"pulses":2,"id":"p-%d","at":%q}`, i, at(when)))
	}
	return w
})

// statuses adds what is said of the devices, and of the gateway before some of
// them, whether they can be reached: right or wrong, until the last readings.
func (w *weather) statuses(t *rapid.T) {
	first := time.Duration(math.MaxInt64)
	say := func(device string, after time.Duration, on bool) {
		when := t0.Add(after)
		w.sent = append(w.sent, message(device, "status", when.Add(time.Second), `{"online":%t,"at":%q}`, on, at(when)))
	}
	draw := func(device string, until time.Duration) {
		// Of two words for one time the later received counts, so there are none.
		for _, s := range rapid.SliceOfNDistinct(rapid.IntRange(0, int(until/time.Second)-1), 0, 6, rapid.ID).Draw(t, "statuses of "+device) {
			say(device, time.Duration(s)*time.Second, rapid.IntRange(0, 2).Draw(t, "on") == 0)
		}
		say(device, until, true)
	}
	for _, h := range w.histories {
		var hours float64
		for _, s := range h.steps[:len(h.steps)-2] {
			hours += s.after
		}
		until := time.Duration(hours*3600) * time.Second
		first = min(first, until)
		draw(h.device, until)
	}
	draw("gw-1", first)
}

// blown gives the messages as they arrive: each one to five times, in any
// order, some replayed by the broker, with its time and without.
func (w weather) blown(t *rapid.T) (out []reading.Message) {
	for _, m := range w.sent {
		out = append(out, m)
		for range rapid.IntRange(0, 4).Draw(t, "copies") {
			again := m
			again.Dup = rapid.Bool().Draw(t, "dup")
			again.Received = m.Received.Add(time.Duration(rapid.IntRange(0, 7200).Draw(t, "later")) * time.Second)
			again.Retained = rapid.IntRange(0, 3).Draw(t, "retained") == 0
			out = append(out, again)
		}
	}
	for _, text := range []string{`{"count":3}`, `{"count":99999}`} {
		out = append(out, reading.Message{Topic: "lube/v1/terminal/d-1/pulse", Payload: []byte(text), Received: t0.Add(100 * time.Hour), Retained: true})
	}
	return rapid.Permutation(out).Draw(t, "order")
}

func stormHouse(t *testing.T, before ...func(*Intake)) *house {
	t.Helper()
	site := terminal(t, 1, 4)
	site.Gateways[0].Machines, site.Gateways[0].Dispensers = []string{"elevator-1"}, []string{"d-1"}
	require.NoError(t, site.Reindex())
	return startWith(t, site, memoryDir(t)+"/journal.db", nil, before...)
}

// totals gives what was counted by device.
func totals(t require.TestingT, x *house, histories []history) map[string]float64 {
	out := map[string]float64{}
	for _, h := range append(slices.Clone(histories), history{device: "d-4", kind: "pulse"}) {
		a, err := x.h.Amount(context.Background(), h.device, reading.Kind(h.kind), t0.AddDate(0, 0, -2), t0.AddDate(2, 0, 0))
		require.NoError(t, err)
		out[h.device] = a.Value
	}
	return out
}

// want gives the same by the oracle, in h, pulses and cm3.
func (w weather) want() map[string]float64 {
	out := map[string]float64{"d-4": 60}
	for _, h := range w.histories {
		out[h.device] = float64(total(h.steps, h.width)) / h.digits
		if h.field == "strokes" {
			out[h.device] *= 0.5
		}
	}
	return out
}

func requireTotals(t require.TestingT, want, got map[string]float64, where string) {
	for device := range want {
		require.InDelta(t, want[device], got[device], 1e-6, "%s %s", device, where)
	}
}

func TestAStormChangesNoCounter(t *testing.T) {
	rounds := 1
	if *long {
		rounds = 40
	}
	for range rounds {
		rapid.Check(t, func(rt *rapid.T) {
			w := storms.Draw(rt, "storm")
			rt.Logf("%+v", w.histories)
			calm := stormHouse(t)
			calm.submit(t, w.sent...)
			calm.flush(t)
			requireTotals(rt, w.want(), totals(rt, calm, w.histories), "in order")

			x := stormHouse(t)
			x.h.Mends(x.Intake)
			for i, m := range w.blown(rt) {
				x.submit(t, m)
				if i%50 == 49 {
					switch rapid.IntRange(0, 3).Draw(rt, "between") {
					case 0:
						x.flush(t)
					case 1: // a batch ends, and somebody asks
						x.settle(t)
						totals(rt, x, w.histories)
					}
				}
			}
			x.settle(t)
			requireTotals(rt, w.want(), totals(rt, x, w.histories), "folded on the fly")
			x.flush(t)
			requireTotals(rt, w.want(), totals(rt, x, w.histories), "from the tables")
			require.True(rt, reflect.DeepEqual(dump(rt, calm), dump(rt, x)), "other figures than in order: %s against %s", calm.duty(t), x.duty(t))
			first, err := calm.Notices(context.Background(), false, 1000)
			require.NoError(rt, err)
			second, err := x.Notices(context.Background(), false, 1000)
			require.NoError(rt, err)
			require.Equal(rt, first, second, "what was noticed")
			days := x.days(t, x.h, "d-4", reading.Pulse, "2026-03-01", "2026-03-05")
			for _, d := range days {
				require.NotZero(rt, d.Flags&reading.LowerBound, "single pulses may undercount")
			}
			require.NoError(rt, calm.stop())
			require.NoError(rt, x.stop())
		})
	}
}

// everyArrivalIsNew makes an intake that knows no message again: each arrival
// gets a key and a place of its own.
func everyArrivalIsNew(in *Intake) {
	n := 0
	in.commitTo = func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		for i := range b {
			for k := range b[i].Readings {
				n++
				r := &b[i].Readings[k]
				if r.Key != "" {
					r.Key = fmt.Sprintf("arrival-%d", n)
				}
				r.At = r.At.Add(time.Duration(n%997) * time.Millisecond)
			}
		}
		return in.j.Commit(ctx, b)
	}
}

// The storm must be felt where messages are not known again: by single pulses,
// and by counters whose glitches a repeat seems to confirm.
func TestAStormIsFeltWithoutKeysThatRepeat(t *testing.T) {
	felt := map[string]int{}
	for seed := range 12 {
		w := storms.Example(seed)
		x := stormHouse(t, everyArrivalIsNew)
		for range 3 {
			x.submit(t, w.sent...)
		}
		x.settle(t)
		want, got := w.want(), totals(t, x, w.histories)
		for device := range want {
			if math.Abs(want[device]-got[device]) > 1e-6 {
				felt[device]++
			}
		}
		require.NoError(t, x.stop())
	}
	require.Equal(t, 12, felt["d-4"], "single pulses")
	require.Positive(t, felt["d-1"], "a count")
	require.Positive(t, felt["elevator-1"], "hours")
	t.Log(felt)
}
