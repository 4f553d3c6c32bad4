package decode

import (
	"encoding/json"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// requireBounded runs something that reads a payload of so many bytes and
// requires that what it allocates is bounded: by a fixed part and so much for
// each byte (the shortest value of a part of its own, {"n":1}, costs a sample of
// 4 KB with the growth of its lists), and in all by what MaxElements of these
// take. Short payloads are not measured, as measuring costs more than they can
// do harm.
func requireBounded(t testing.TB, payload int, do func()) {
	t.Helper()
	const (
		fixed, perByte = 1 << 20, 640
		inAll          = 64 << 20
		short          = 512
	)
	if payload < short {
		do()
		return
	}
	if got, most := allocated(do), allocationSlack*uint64(min(fixed+perByte*payload, inAll)); got > most {
		t.Fatalf("%d bytes allocated for a payload of %d, at most %d expected", got, payload, most)
	}
}

// allocated is how much something allocates, bytes.
func allocated(do func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	do()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// requireUsable requires what holds of every message that was decoded: one
// result and not two, reasons that can be read, values that are finite, times
// within the clock's bounds, no history from a replay of an unknown time.
func requireUsable(t testing.TB, m reading.Message, u Understood, kept *Kept) {
	t.Helper()
	if kept != nil {
		if kept.Reason == NoReason || kept.Detail == "" || !utf8.ValidString(kept.Detail) || len(kept.Detail) > 4096 || kept.Reason.Remedy() == "" {
			t.Fatalf("kept aside without a usable reason: %+v", kept)
		}
		if !reflect.DeepEqual(u, Understood{}) {
			t.Fatalf("kept aside and understood: %+v %+v", kept, u)
		}
		return
	}
	if len(u.Beside) > 0 && len(u.Samples) == 0 {
		t.Fatalf("something beside nothing: %+v", u)
	}
	for _, d := range u.Samples {
		switch {
		case !ValidID(d.Device):
			t.Fatalf("device %q", d.Device)
		case !d.StateOnly && len(d.Readings)+len(d.Facts) == 0:
			t.Fatalf("taken, but nothing in it: %+v", d)
		case d.StateOnly && len(d.Readings)+len(d.Facts) > 0:
			t.Fatalf("no history, and yet some: %+v", d)
		}
		for _, r := range d.Readings {
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				t.Fatalf("not finite: %+v", r)
			}
			if r.At.Year() < EarliestYear || r.At.After(received.Add(FutureSlack)) || r.At.Nanosecond()%1e6 != 0 {
				t.Fatalf("outside the clock's bounds: %v", r.At)
			}
			if m.Retained && !r.FromDevice {
				t.Fatalf("a replay of an unknown time made history: %+v", r)
			}
			if _, ok := mapping.FieldNamed(string(r.Quantity)); !ok || r.Device != d.Device || len(r.Key) > 2*MaxText {
				t.Fatalf("odd reading %+v", r)
			}
			if r.Quantity.Exact() && float64(r.Count) != r.Value {
				t.Fatalf("count and value differ: %+v", r)
			}
		}
		for _, x := range d.Facts {
			if _, err := json.Marshal(x); err != nil || x.ID == "" || x.At.IsZero() {
				t.Fatalf("fact %+v: %v", x, err)
			}
		}
	}
}

// allForms maps one topic for each form, and one without, onto all fields.
func allForms(t testing.TB) *Rules {
	var values []mapping.MappedValue
	for i, f := range mapping.Fields {
		v := mapping.MappedValue{From: "{device}/" + f.Name, As: f.Name}
		if f.Type == mapping.Number && i%2 == 0 {
			v.Unit, v.Scale = f.Unit, 0.1
		}
		values = append(values, v)
	}
	bare := []mapping.MappedValue{{As: "pulse.count", Channel: "n"}, {As: "run.hours", Channel: "h", Unit: "h:mm"}, {As: "run.running", Channel: "on"}, {As: "level.cm3", Channel: "g", Unit: "g"},
		{As: "status.temperature_c", Channel: "t"}, {As: "change.volume_cm3", Channel: "c"}, {As: "status.faults", Channel: "f"}, {From: "v", Fixed: "120", As: "change.volume_cm3", Channel: "x"}}
	out := []mapping.Mapping{
		{Topic: "bare/{device}/{channel}", Values: bare, Decimal: "comma"},
		{Topic: "each/{device}", Each: "r", Time: &mapping.MappedTime{Field: "t", Relative: true, Base: "ts"}, Values: []mapping.MappedValue{{From: "n", As: "pulse.count"}, {From: "i", As: "pulse.id"}, {From: "p", As: "pulse.pulses"}}},
		{Topic: "lines/{device}", NDJSON: true, Time: &mapping.MappedTime{Field: "ts", Zone: "Europe/Berlin"}, Values: []mapping.MappedValue{{From: "n", As: "pulse.count"}, {From: "s", As: "status.setting"}}},
		{Topic: "hub/#", Values: []mapping.MappedValue{{From: "{device}.n", As: "pulse.count"}, {From: "{device}.h", As: "run.hours", Unit: "min"}, {From: "{device}.l", As: "level.percent"}}},
		{Topic: "any/#", Values: values},
	}
	for _, f := range forms {
		mapped := values
		if f.name == "json" {
			mapped = nil
			for _, v := range values {
				v.From = strings.Replace(v.From, "/", ".", 1)
				mapped = append(mapped, v)
			}
		}
		if f.name == "scalar" {
			mapped = []mapping.MappedValue{{As: "pulse.count", Device: "lub-7"}}
		}
		out = append(out, mapping.Mapping{Topic: f.name + "/#", Form: f.name, Values: mapped})
	}
	return rulesOf(t, out...)
}

func TestEveryFormCanBeNamed(t *testing.T) {
	var names []string
	for _, f := range forms {
		names = append(names, f.name)
	}
	require.ElementsMatch(t, mapping.Forms, names)
}

func FuzzDecode(f *testing.F) {
	rules := allForms(f)
	var topics []string
	for _, form := range forms {
		topics = append(topics, form.name+"/x")
	}
	topics = append(topics, "any/x", "hub/x", "each/lub-7", "lines/lub-7", "bare/lub-7/n", "bare/elevator-2/h", "bare/elevator-2/on", "bare/lub-7/g", "bare/lub-7/c", "bare/lub-7/f", "bare/lub-7/x", "lube/v1/riverside/lub-7/pulse", "silo/test/x", "nobody")
	payloads := append(slices.Clone(texts),
		`15234`, `12,5`, `"125:30"`, `true`, `{"value":5,"unit":"h"}`, `{"lub-7":{"n":5,"h":3,"l":63.5},"new-1":{"n":1}}`, `{"lub-7/pulse.count":5,"elevator-2/run.hours":"12 h"}`,
		`{"r":[{"t":-1,"n":5},{"t":-2,"n":4}],"ts":1792999000}`, "{\"n\":1}\n{\"n\":2,\"ts\":\"2026-10-25 02:30\"}", `[{"n":"lub-7/pulse.count","v":5,"u":"count"}]`,
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","data":{"lub-7/level.percent":5}}`, `{"MessageType":"ua-data","Messages":[{"DataSetWriterName":"lub-7","Payload":{"dose.cm3":1}}]}`)
	for i, text := range payloads {
		for k := range topics {
			if (i+k)%3 == 0 {
				f.Add(topics[k], []byte(text), (i+k)%2 == 0)
			}
		}
	}
	f.Fuzz(func(t *testing.T, topic string, payload []byte, retained bool) {
		m := reading.Message{Topic: topic, Payload: payload, Received: received, Retained: retained}
		var u Understood
		var kept *Kept
		requireBounded(t, len(payload), func() { u, kept = Decode(m, rules, plant, received) })
		requireUsable(t, m, u, kept)
		again, alsoKept, _ := Explain(m, rules, plant, received)
		if !reflect.DeepEqual(u, again) || !reflect.DeepEqual(kept, alsoKept) {
			t.Fatalf("explained it is another message: %+v %+v, %+v %+v", u, kept, again, alsoKept)
		}
	})
}

// A mapping that passes the check compiles, and never fails on a message.
func FuzzMapping(f *testing.F) {
	f.Add("silo/{area}/{machine}/{channel}", "d.cnt[0].v", "run.hours", "min", "ts", `{"d":{"cnt":[{"v":5}]},"ts":1792999000}`)
	f.Add("a/{device}", "{channel}.x", "pulse.count", "count", "", `{"b":{"x":5}}`)
	f.Add("{site}/+/{device}/#", `["a.b"]`, "level.cm3", "g", "t", `{"a.b":"5 g","t":"2026-10-26T07:00:00Z"}`)
	f.Fuzz(func(t *testing.T, topic, from, as, symbol, at, payload string) {
		m := mapping.Mapping{Topic: topic, Values: []mapping.MappedValue{{From: from, As: as, Unit: symbol}}}
		if at != "" {
			m.Time = &mapping.MappedTime{Field: at}
		}
		if len(m.Check()) > 0 {
			return
		}
		rules, err := Compile(Spec{Site: "riverside", Mappings: []mapping.Mapping{m}})
		if err != nil {
			t.Fatal(err)
		}
		message := message(strings.NewReplacer("{site}", "riverside", "{device}", "lub-7", "{machine}", "elevator-2", "{area}", "east", "{channel}", "c", "+", "x", "#", "y").Replace(topic), payload)
		u, kept := Decode(message, rules, plant, received)
		requireUsable(t, message, u, kept)
	})
}

// What a hostile payload makes the way through a mapping allocate is bounded.
func TestMappingsAllocateWithinBounds(t *testing.T) {
	rules := allForms(t)
	for name, m := range map[string]reading.Message{
		"deep":      message("json/x", strings.Repeat("[", 200_000)),
		"nested":    message("json/x", strings.Repeat(`{"a":`, 30)+`"`+strings.Repeat("x", 200_000)+`"`+strings.Repeat("}", 30)),
		"wide":      message("hub/x", `{`+strings.Repeat(`"lub-7":{"n":1},`, 4_900)+`"b":0}`),
		"parts":     message("each/lub-7", `{"ts":1792999000,"r":[`+strings.Repeat(`{"t":1,"n":1},`, 3_300)+`{}]}`),
		"lines":     message("lines/lub-7", strings.Repeat(`{"n":1}`+"\n", 9_000)),
		"long keys": message("json/x", `{"`+strings.Repeat("a", 100_000)+`":[`+strings.Repeat("1,", 9_000)+`1]}`),
		"digits":    message("bare/lub-7/n", strings.Repeat("9", 250_000)),
		"exponent":  message("bare/elevator-2/h", `1e999999999`),
		"small":     message("bare/lub-7/g", `{"v":1e-999999999}`),
		"blanks":    message("bare/lub-7/n", strings.Repeat(" ", 250_000)+"1"),
		"escapes":   message("hub/x", `{"lub-7":{"n":"`+strings.Repeat(`\u00e9`, 40_000)+`"}}`),
	} {
		t.Run(name, func(t *testing.T) {
			requireBounded(t, len(m.Payload), func() {
				u, kept := Decode(m, rules, plant, received)
				requireUsable(t, m, u, kept)
			})
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	rules := allForms(b)
	for name, m := range map[string]reading.Message{
		"native":     send("lub-7/pulse", `{"count":15234,"at":"2026-10-26T07:16:40Z"}`),
		"json":       message("hub/x", `{"lub-7":{"n":15234},"ts":1792999000}`),
		"scalar":     message("bare/lub-7/n", `15234`),
		"not mapped": message("nobody/x", `15234`),
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				Decode(m, rules, plant, received)
			}
		})
	}
}
