package decode

import (
	"encoding/json"
	"fmt"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// rulesOf compiles mappings of the test plant.
func rulesOf(t testing.TB, mappings ...mapping.Mapping) *Rules {
	t.Helper()
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	r, err := Compile(Spec{Prefix: "lube/v1", Site: "riverside", Zone: berlin, Mappings: mappings, Ignore: []string{"silo/test/#"}})
	require.NoError(t, err)
	return r
}

func message(topic, payload string) reading.Message {
	return reading.Message{Topic: topic, Payload: []byte(payload), Received: received}
}

// told gives all readings and facts of a message, one line each, sorted.
func told(u Understood) string {
	var lines []string
	for _, d := range u.Samples {
		for _, r := range d.Readings {
			line := fmt.Sprintf("%s %s=%v", r.Device, r.Quantity, r.Value)
			if r.Quantity.Exact() {
				line = fmt.Sprintf("%s %s=%d", r.Device, r.Quantity, r.Count)
			}
			if r.FromDevice {
				line += " at " + r.At.Format("2006-01-02T15:04:05.999Z07:00")
			} else if !r.At.Equal(r.Received) {
				line += " received " + r.Received.Sub(r.At).String() + " later"
			}
			if r.Key != "" {
				line += " key " + r.Key
			}
			lines = append(lines, line)
		}
		for _, f := range d.Facts {
			line := fmt.Sprintf("%s %s", f.Device, f.Kind)
			if f.VolumeCM3 != nil {
				line += fmt.Sprintf(" %v cm3", *f.VolumeCM3)
			}
			if f.CM3Per100h != nil {
				line += fmt.Sprintf(" %v cm3/100h", *f.CM3Per100h)
			}
			if f.Faults != nil {
				line += " " + strings.Join(f.Faults, ",")
			}
			lines = append(lines, line)
		}
	}
	sort.Strings(lines)
	return strings.Join(lines, "\n")
}

func TestMappings(t *testing.T) {
	plc := mapping.Mapping{Topic: "silo/{area}/{machine}/plc/{channel}", Time: &mapping.MappedTime{Field: "ts", Unit: "ms"}, Values: []mapping.MappedValue{
		{From: "d.cnt[0].v", Channel: "cnt", As: "pulse.count", Device: "lub-7"},
		{From: "d.run", Channel: "run", As: "run.hours", Unit: "min"},
		{From: "d.on", Channel: "run", As: "run.running", TrueWords: []string{"LÄUFT"}, FalseWords: []string{"HALT"}},
	}}
	bare := mapping.Mapping{Topic: "bare/{device}/{channel}", Values: []mapping.MappedValue{
		{Channel: "count", As: "pulse.count"}, {Channel: "level", As: "level.percent", Scale: 100}, {Channel: "h", As: "run.hours"},
		{Channel: "on", As: "run.running"}, {Channel: "new", As: "change.volume_cm3", Fixed: "120"},
	}}
	hub := mapping.Mapping{Topic: "hub/#", Values: []mapping.MappedValue{
		{From: "{device}.strokes", As: "dose.strokes"}, {From: "{device}.count", As: "pulse.count"}, {From: "{device}.left", As: "level.cm3", Unit: "g"},
	}}
	batch := mapping.Mapping{Topic: "batch/{device}", Each: ".", Time: &mapping.MappedTime{Field: "t", Relative: true}, Values: []mapping.MappedValue{{From: "v", As: "pulse.count"}}}
	lines := mapping.Mapping{Topic: "lines/{device}", NDJSON: true, Values: []mapping.MappedValue{{From: "p", As: "pulse.count"}}}
	status := mapping.Mapping{Topic: "st/{device}", Values: []mapping.MappedValue{
		{From: "f", As: "status.faults"}, {From: "dose", As: "status.setting.cm3_per_100h"}, {Fixed: "run", As: "status.setting.pacing"},
		{From: "T", As: "status.temperature_c"}, {From: `["p.bar"]`, As: "status.pressure_bar"},
	}}
	changed := mapping.Mapping{Topic: "chg/{device}", Values: []mapping.MappedValue{{From: "lid", Fixed: "120", As: "change.volume_cm3"}, {From: "nr", As: "change.id"}}}
	rules := rulesOf(t, plc, bare, hub, batch, lines, status, changed)
	for _, c := range []struct{ topic, payload, want string }{
		{"silo/east/elevator-2/plc/cnt", `{"ts":1792999200000,"d":{"cnt":[{"v":15234}]},"rssi":-70}`, "lub-7 pulse.count=15234 at 2026-10-26T07:20:00Z"},
		{"silo/east/elevator-2/plc/cnt", "\xEF\xBB\xBF{\"d\":{\"cnt\":[{\"v\":15234}]}}\x00\x00", "lub-7 pulse.count=15234"},
		{"silo/east/elevator-2/plc/run", `{"ts":1792999200000,"d":{"run":753500,"on":"läuft"}}`, "elevator-2 run.hours=12558.333333333334 at 2026-10-26T07:20:00Z\nelevator-2 run.running=1 at 2026-10-26T07:20:00Z"},
		{"silo/east/elevator-2/plc/run", `{"d":{"RUN":60,"on":"Halt"}}`, "elevator-2 run.hours=1\nelevator-2 run.running=0"},
		{"silo/east/elevator-2/plc/run", `{"d":{"run":{"value":7,"unit":"h"},"on":null}}`, "elevator-2 run.hours=0.11666666666666667"}, // the mapping's unit counts
		{"bare/lub-7/count", `15234`, "lub-7 pulse.count=15234"},
		{"bare/lub-7/count", " 9223372036854775807\r\n\x00", "lub-7 pulse.count=9223372036854775807"},
		{"bare/lub-7/count", `{"ts":1792999200,"value":15234}`, "lub-7 pulse.count=15234 at 2026-10-26T07:20:00Z"},
		{"bare/lub-7/count", `{"timestamp_ms":1792999200123,"v":"15234"}`, "lub-7 pulse.count=15234 at 2026-10-26T07:20:00.123Z"},
		{"bare/lub-7/level", `0.635`, "lub-7 level.percent=63.5"},
		{"bare/elevator-2/h", `12.5 h`, "elevator-2 run.hours=12.5"},
		{"bare/elevator-2/h", `"45000 s"`, "elevator-2 run.hours=12.5"},
		{"bare/elevator-2/h", `{"val":45000,"u":"s"}`, "elevator-2 run.hours=12.5"},
		{"bare/elevator-2/on", `ON`, "elevator-2 run.running=1"},
		{"bare/elevator-2/on", `false`, "elevator-2 run.running=0"},
		{"bare/lub-7/new", `whatever`, "lub-7 change 120 cm3"},
		{"hub/gateway/1", `{"lub-7":{"strokes":12,"count":3,"left":9},"lub-spare":{"count":4},"note":"x"}`, "lub-7 dose.strokes=12\nlub-7 level.cm3=10\nlub-7 pulse.count=3\nlub-spare pulse.count=4"},
		{"batch/lub-7", `[{"t":-10,"v":7},{"t":-30,"v":5},{"t":-20,"v":6}]`, "lub-7 pulse.count=5 received 30s later\nlub-7 pulse.count=6 received 20s later\nlub-7 pulse.count=7 received 10s later"},
		{"lines/lub-7", "{\"p\":1,\"ts\":1792999200}\n{\"p\":2,\"ts\":1792999210}\n", "lub-7 pulse.count=1 at 2026-10-26T07:20:00Z\nlub-7 pulse.count=2 at 2026-10-26T07:20:10Z"},
		{"st/lub-7", `{"f":["low"],"dose":2.1,"T":21.5,"p.bar":3}`, "lub-7 faults low\nlub-7 setting 2.1 cm3/100h\nlub-7 status.pressure_bar=3\nlub-7 status.temperature_c=21.5"},
		{"st/lub-7", `{"T":"21,5 °C","t":1792999000}`, "lub-7 status.temperature_c=21.5 at 2026-10-26T07:16:40Z"},
		{"st/lub-7", `{"T":21.5,"time":"5 o'clock"}`, "lub-7 status.temperature_c=21.5"},
		{"chg/lub-7", `{"lid":true,"nr":17}`, "lub-7 change 120 cm3"},
	} {
		t.Run(c.topic+" "+c.payload, func(t *testing.T) {
			u, kept := Decode(message(c.topic, c.payload), rules, plant, received)
			require.Nil(t, kept)
			require.Equal(t, c.want, told(u))
			require.NotEmpty(t, u.Mapping)
		})
	}
}

func TestMappingsRefuse(t *testing.T) {
	one := mapping.Mapping{Name: "one", Topic: "m/{device}", Time: &mapping.MappedTime{Field: "ts"}, Values: []mapping.MappedValue{
		{From: "h", As: "run.hours"}, {From: "c", As: "pulse.count"}, {From: "g", As: "level.cm3", Unit: "g"}, {From: "lid", Fixed: "120", As: "change.volume_cm3"},
		{From: "clock", As: "run.seconds", Unit: "h:mm"},
	}}
	rules := rulesOf(t, one)
	for _, c := range []struct {
		topic, payload string
		want           Reason
		detail         string
	}{
		{"m/lub-7", ``, Empty, ""},
		{"m/lub-7", "\x00\x00", Empty, "zero"},
		{"m/lub-7", `{"c":`, NotJSON, "byte"},
		{"m/lub-7", `{"c":1}{"c":2}`, TrailingData, "byte 7"},
		{"m/lub-7", `{"c":1,"c":2}`, DuplicateKey, "c"},
		{"m/lub-7", `{"C":1,"\u0063":2,"ts":[]}`, BadTime, "ts"},
		{"m/lub-7", `{"x":1,"y":{"z":2}}`, NoValue, "it holds x, y.z"},
		{"m/lub-7", `{"c":null}`, NoValue, "count"},
		{"m/lub-7", `{"lid":false}`, NoValue, ""},
		{"m/lub-7", `{"lid":"perhaps"}`, NotABoolean, "perhaps"},
		{"m/elevator-2", `{"clock":125.3}`, NotANumber, "minutes or parts of an hour"},
		{"m/lub-7", `{"c":1.5}`, NotANumber, "count (from c)"},
		{"m/lub-7", `{"c":"5 kg"}`, BadUnit, "a mass"},
		{"m/lub-spare", `{"g":5}`, NoDensity, "cm3 (from g)"},
		{"m/lub-7", `{"h":5}`, WrongDevice, ""},
		{"m/new-9", `{"c":5}`, UnknownDevice, "new-9"},
		{"m/Presse 7", `{"c":5}`, BadTopic, "Presse 7"},
		{"n/lub-7", `{"c":5}`, BadTopic, "neither native nor mapped"},
		{"m/lub-7", `{"c":18446744073709551615}`, Overflow, ""},
		{"m/lub-7", "[" + strings.Repeat("[", 50), TooComplex, ""},
	} {
		t.Run(c.topic+" "+c.payload, func(t *testing.T) {
			u, kept := Decode(message(c.topic, c.payload), rules, plant, received)
			require.NotNil(t, kept, "%+v", u)
			require.Equal(t, c.want.String(), kept.Reason.String(), kept.Detail)
			require.Contains(t, kept.Detail, c.detail)
			require.Empty(t, u.Samples)
			if id := strings.TrimPrefix(c.topic, "m/"); ValidID(id) && id != c.topic {
				require.Equal(t, id, kept.Device, "the topic says whose it is")
				require.Contains(t, kept.Detail, "mapping one: ")
			}
		})
	}
}

func TestUnknownDevicesDoNotSpoilKnownOnes(t *testing.T) {
	rules := rulesOf(t, mapping.Mapping{Topic: "hub", Values: []mapping.MappedValue{{From: "{device}.c", As: "pulse.count"}}})
	u, kept := Decode(message("hub", `{"lub-7":{"c":1},"new-8":{"c":2},"new-9":{"c":3}}`), rules, plant, received)
	require.Nil(t, kept)
	require.Equal(t, "lub-7 pulse.count=1", told(u))
	require.Len(t, u.Beside, 2)
	require.Equal(t, []string{"new-8", "new-9"}, []string{u.Beside[0].Unknown, u.Beside[1].Unknown})
	u, kept = Decode(message("hub", `{"lub-7":{"c":1},"elevator-2":{"c":2}}`), rules, plant, received)
	require.Nil(t, kept)
	require.Equal(t, "lub-7 pulse.count=1", told(u))
	require.Equal(t, WrongDevice, u.Beside[0].Reason, "a machine has no pulses, which is no fault of the dispenser")
	_, kept = Decode(message("hub", `{"lub-7":{"c":-1},"lub-spare":{"c":2}}`), rules, plant, received)
	require.Equal(t, OutOfRange, kept.Reason, "one that is refused keeps all of it aside")
}

func TestNativeTopicsAreNotMapped(t *testing.T) {
	rules := rulesOf(t, mapping.Mapping{Topic: "lube/#", Device: "lub-7", Values: []mapping.MappedValue{{As: "pulse.count"}}})
	u, kept := Decode(message("lube/v1/riverside/elevator-2/run", `{"hours":5}`), rules, plant, received)
	require.Nil(t, kept)
	require.Equal(t, "elevator-2 run.hours=5", told(u))
	require.Empty(t, u.Mapping)
	u, kept = Decode(message("silo/test/sim1", `7`), rules, plant, received)
	require.Nil(t, kept)
	require.True(t, u.Skipped)
	require.Empty(t, u.Samples)
}

func TestRetainedValuesWithoutTimeLeaveNoHistory(t *testing.T) {
	rules := rulesOf(t, mapping.Mapping{Topic: "bare/{device}", Values: []mapping.MappedValue{{As: "pulse.count"}}})
	m := message("bare/lub-7", `15234`)
	m.Retained = true
	u, kept := Decode(m, rules, plant, received)
	require.Nil(t, kept)
	require.True(t, u.Samples[0].StateOnly)
	require.Empty(t, told(u))
}

// Each native field that a mapping can name ends in a reading or a fact.
func TestEveryFieldCanBeMapped(t *testing.T) {
	for _, f := range mapping.Fields {
		t.Run(f.Name, func(t *testing.T) {
			device, sent, others := "lub-7", map[mapping.Type]string{mapping.Number: "1.5", mapping.Count: "7", mapping.Boolean: "true", mapping.Text: `"x1"`, mapping.Words: `["x1"]`,
				mapping.Object: `{"pacing":"run","cm3_per_100h":1.5}`}[f.Type], []mapping.MappedValue(nil)
			switch {
			case strings.HasPrefix(f.Name, "run."):
				device = "elevator-2"
			case f.Name == "pulse.pulses":
				others = []mapping.MappedValue{{Fixed: "x1", As: "pulse.id"}}
			case f.Name == "pulse.id":
				others = []mapping.MappedValue{{Fixed: "7", As: "pulse.pulses"}}
			case f.Name == "status.setting.pacing":
				sent, others = `"run"`, []mapping.MappedValue{{Fixed: "1.5", As: "status.setting.cm3_per_100h"}}
			case f.Name == "status.setting.cm3_per_100h":
				others = []mapping.MappedValue{{Fixed: "run", As: "status.setting.pacing"}}
			case f.Name == "status.setting.cm3_per_pulse":
				others = []mapping.MappedValue{{Fixed: "pulse", As: "status.setting.pacing"}}
			case strings.HasPrefix(f.Name, "change.") && f.Name != "change.volume_cm3":
				others = []mapping.MappedValue{{Fixed: "120", As: "change.volume_cm3"}}
			}
			rules := rulesOf(t, mapping.Mapping{Topic: "t/{device}", Values: append([]mapping.MappedValue{{From: "a", As: f.Name}}, others...)})
			u, kept := Decode(message("t/"+device, `{"a":`+sent+`}`), rules, plant, received)
			require.Nil(t, kept)
			text, err := json.Marshal(u.Samples)
			require.NoError(t, err)
			require.Regexp(t, `[:"\[/](1\.5|7|1|x1|run)\b`, string(text))
			require.Len(t, u.Samples, 1)
			require.Equal(t, 1, len(u.Samples[0].Readings)+len(u.Samples[0].Facts), told(u))
			require.Zero(t, u.Ignored)
		})
	}
}
