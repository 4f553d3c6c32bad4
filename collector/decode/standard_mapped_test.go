package decode

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// standardRules map messages of each standard's form onto the test plant. Only
// Homie is named: the others are recognised.
func standardRules(t testing.TB) *Rules {
	return rulesOf(t,
		mapping.Mapping{Topic: "senml/#", Values: []mapping.MappedValue{
			{From: "riverside/{device}/pulses", As: "pulse.count"}, {From: "riverside/{device}/level", As: "level.percent"},
			{From: "riverside/{device}/out", As: "dose.cm3"}, {From: "riverside/{device}/run", As: "run.seconds"},
			{From: "riverside/{device}/running", As: "run.running"}, {From: "riverside/{device}/running#s", As: "run.seconds"},
			{From: "riverside/{device}/temp", As: "status.temperature_c"}, {From: "riverside/{device}/supply", As: "status.supply_v"},
			{From: "urn:dev:os:32473-{device}:pulses", As: "pulse.count"}, {From: "silo.{machine}.hours", As: "run.hours"},
		}},
		mapping.Mapping{Topic: "events/{device}", Values: []mapping.MappedValue{
			{From: "pulses", As: "pulse.pulses"}, {From: "count", As: "pulse.count"}, {From: "d.cnt[0].v", As: "dose.strokes"},
		}},
		mapping.Mapping{Topic: "relative/{device}", Time: &mapping.MappedTime{Field: "t", Relative: true}, Values: []mapping.MappedValue{{From: "p", As: "pulse.count"}}},
		mapping.Mapping{Topic: "bare/{device}", Values: []mapping.MappedValue{{As: "level.percent"}}},
		mapping.Mapping{Topic: "opcua/json/data/#", Values: []mapping.MappedValue{
			{From: "5.Pulses", As: "pulse.count", Device: "lub-7"}, {From: "5.RunHours", As: "run.hours", Device: "elevator-2"}, {From: "{device}.Level", As: "level.percent"},
		}},
		mapping.Mapping{Topic: "homie/5/{device}/meter/{channel}", Form: "homie", Values: []mapping.MappedValue{
			{Channel: "pulses", As: "pulse.count"}, {Channel: "level", As: "level.percent", Unit: "/"}, {Channel: "on", As: "status.online"},
		}},
		mapping.Mapping{Topic: "homie/5/{device}/#", Values: []mapping.MappedValue{
			{From: "$state", As: "status.online"}, {From: "drive/running", As: "run.running"},
		}},
	)
}

func TestStandardsEndInReadings(t *testing.T) {
	rules := standardRules(t)
	event := func(data string) string {
		return `{"specversion":"1.0","id":"7f3c-118","source":"/riverside/east","type":"pulse","time":"2026-10-26T07:00:00Z",` + data + `}`
	}
	const at = " at 2026-10-26T07:00:00Z"
	for _, c := range []struct{ topic, payload, want string }{
		// SenML: 1792998000 is 07:00:00 on that day.
		{"senml/gw-silo", `[{"bn":"riverside/lub-7/","bt":1792998000,"bu":"count","n":"pulses","v":15234},{"n":"level","u":"/100","v":63.5},{"n":"out","u":"l","v":1.523}]`,
			"lub-7 dose.cm3=1523" + at + "\nlub-7 level.percent=63.5" + at + "\nlub-7 pulse.count=15234" + at},
		{"senml/gw-silo", `[{"bn":"riverside/lub-7/","bt":1792998000,"bu":"count","n":"level","u":"/","v":0.635},{"bn":"riverside/elevator-2/","n":"run","u":"h","v":12558.5,"bver":10}]`,
			"elevator-2 run.seconds=4.52106e+07" + at + "\nlub-7 level.percent=63.5" + at},
		{"senml/gw-silo", `[{"bn":"riverside/lub-7/","bt":1792998000,"n":"level","u":"%","v":0.635}]`, "lub-7 level.percent=63.5" + at},
		{"senml/gw-silo", `[{"bn":"riverside/lub-7/","bt":1792998000,"n":"out","u":"m3","v":7e-7}]`, "lub-7 dose.cm3=0.7" + at},
		{"senml/gw-silo", `[{"bn":"riverside/elevator-2/","bt":1792998000,"n":"temp","u":"K","v":294.65},{"n":"supply","u":"mV","v":24100}]`,
			"elevator-2 status.supply_v=24.1" + at + "\nelevator-2 status.temperature_c=21.5" + at},
		// The promise of the next value is the device's interval.
		{"senml/gw-silo", `[{"bn":"riverside/elevator-2/","bt":1792998000,"bu":"count","n":"running","vb":true,"ut":60}]`,
			"elevator-2 run.running=1" + at + "\nelevator-2 status.every_s=60" + at},
		// The integral of a state is the time for which it ran.
		{"senml/gw-silo", `[{"bn":"riverside/elevator-2/","bt":1792998000,"n":"running","u":"/","v":1,"s":45210600}]`,
			"elevator-2 run.running=1" + at + "\nelevator-2 run.seconds=4.52106e+07" + at},
		{"senml/gw-silo", `[{"bn":"riverside/lub-7/pulses","bt":1792998000,"v":90},{"t":-3600,"v":84},{"t":-7200,"v":80}]`,
			"lub-7 pulse.count=80 at 2026-10-26T05:00:00Z\nlub-7 pulse.count=84 at 2026-10-26T06:00:00Z\nlub-7 pulse.count=90" + at},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","v":90},{"n":"riverside/lub-7/pulses","v":80,"t":-60}]`, "lub-7 pulse.count=80 received 1m0s later\nlub-7 pulse.count=90"},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","v":90,"t":188}]`, "lub-7 pulse.count=90"},
		{"senml/gw-silo", `[{"n":"urn:dev:os:32473-lub-7:pulses","v":90},{"n":"silo.elevator-2.hours","u":"h","v":5.5}]`, "elevator-2 run.hours=5.5\nlub-7 pulse.count=90"},

		{"events/lub-7", event(`"data":{"count":15235,"rssi":-70}`), "lub-7 pulse.count=15235" + at},
		{"events/lub-7", event(`"data":{"pulses":1}`), "lub-7 pulse.pulses=1" + at + " key /riverside/east 7f3c-118"},
		{"events/lub-7", event(`"data_base64":"eyJwdWxzZXMiOjF9"`), "lub-7 pulse.pulses=1" + at + " key /riverside/east 7f3c-118"},
		{"events/lub-7", event(`"data":{"d":{"cnt":[{"v":5}]}}`), "lub-7 dose.strokes=5" + at},
		{"bare/lub-7", event(`"datacontenttype":"text/plain","data":"63.5 %"`), "lub-7 level.percent=63.5" + at},
		{"bare/lub-7", event(`"data":63.5`), "lub-7 level.percent=63.5" + at},
		{"events/lub-7", `[` + event(`"data":{"pulses":1}`) + `,{"specversion":"1.0","id":"7f3c-119","source":"/riverside/east","type":"pulse","time":"2026-10-26T07:10:00Z","data":{"pulses":2}}]`,
			"lub-7 pulse.pulses=1" + at + " key /riverside/east 7f3c-118\nlub-7 pulse.pulses=2 at 2026-10-26T07:10:00Z key /riverside/east 7f3c-119"},

		{"opcua/json/data/gw1/1", `{"MessageId":"32","MessageType":"ua-data","PublisherId":"gw1","Messages":[{"DataSetWriterId":5,"SequenceNumber":118,"Timestamp":"2026-10-26T07:00:00Z","Payload":{"Pulses":{"Value":15235,"SourceTimestamp":"2026-10-26T06:59:59.8Z"},"RunHours":12558.5}}]}`,
			"elevator-2 run.hours=12558.5" + at + "\nlub-7 pulse.count=15235 at 2026-10-26T06:59:59.8Z"},
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Payload":{"Pulses":{"Type":8,"Body":"15235"},"RunHours":{"Value":1,"StatusCode":2147483648}}}]}`, "lub-7 pulse.count=15235"},
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[{"DataSetWriterName":"lub-7","Payload":{"Level":63.5}},{"DataSetWriterName":"lub-spare","Payload":{"Level":40}}]}`,
			"lub-7 level.percent=63.5\nlub-spare level.percent=40"},

		{"homie/5/lub-7/meter/pulses", `15235`, "lub-7 pulse.count=15235"},
		{"homie/5/lub-7/meter/level", `0.635`, "lub-7 level.percent=63.5"},
		{"homie/5/elevator-2/drive/running", `true`, "elevator-2 run.running=1"},
		{"homie/5/elevator-2/$state", `lost`, "elevator-2 status.online=0"},
		{"homie/5/elevator-2/$state", `ready`, "elevator-2 status.online=1"},
	} {
		t.Run(c.topic+" "+c.payload, func(t *testing.T) {
			u, kept := Decode(message(c.topic, c.payload), rules, plant, received)
			require.Nil(t, kept)
			require.Equal(t, c.want, told(u))
		})
	}
}

func TestStandardsKeepAside(t *testing.T) {
	rules := standardRules(t)
	for _, c := range []struct {
		topic, payload string
		want           Reason
		detail         string
	}{
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","v":90},{"v":1}]`, BadForm, "record 2"},
		{"senml/gw-silo", `[{"bver":42,"n":"riverside/lub-7/pulses","v":90}]`, BadForm, "version 42"},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/level","u":"%","v":63.5}]`, AboveVolume, "6350 %"},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/level","u":"s","v":63.5}]`, BadUnit, "s is a time"},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","u":"lat","v":90}]`, BadUnit, `"lat" is not known`},
		{"senml/gw-silo", `[{"n":"riverside/new-9/pulses","v":90}]`, UnknownDevice, "new-9"},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","v":null}]`, NoValue, "count"},
		{"events/lub-7", `{"specversion":"0.3","id":"1","source":"/a","type":"t","data":{"pulses":1}}`, BadForm, "specversion"},
		{"events/lub-7", `{"specversion":"1.0","id":"1","source":"/a","type":"t","data":{"x":1}}`, NoValue, "it holds x"},
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Payload":{"Pulses":{"Value":1,"StatusCode":1073741824}}}]}`, NoValue, "count"},
		{"homie/5/elevator-2/drive/running", `True`, NoValue, "running"},
		{"homie/5/elevator-2/drive/running", `maybe`, NotABoolean, "running"},
		{"homie/5/elevator-2/$state", ``, Empty, ""},
	} {
		t.Run(c.topic+" "+c.payload, func(t *testing.T) {
			u, kept := Decode(message(c.topic, c.payload), rules, plant, received)
			require.NotNil(t, kept, "%+v", u)
			require.Equal(t, c.want.String(), kept.Reason.String(), kept.Detail)
			require.Contains(t, kept.Detail, c.detail)
		})
	}
}

// What is known and has no values is neither kept aside nor stored.
func TestStandardsKnowWhatHasNoValues(t *testing.T) {
	rules := standardRules(t)
	for _, c := range []struct{ topic, payload string }{
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-metadata","MessageId":"1"}`},
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-data","MessageId":"1","Messages":[{"DataSetWriterId":5,"MessageType":"ua-keepalive"}]}`},
		{"homie/5/lub-7/$description", `{"homie":"5.0"}`},
		{"homie/5/lub-7/$state", `sleeping`},
		{"events/lub-7", `{"specversion":"1.0","id":"1","source":"/a","type":"t"}`},
	} {
		u, kept := Decode(message(c.topic, c.payload), rules, plant, received)
		require.Nil(t, kept, c.payload)
		require.Empty(t, u.Samples)
		require.NotEmpty(t, u.Form)
	}
}

// What the broker replays at a connect is history only where it has a time of
// its own. A time that is relative to now is none.
func TestStandardsReplayedByTheBroker(t *testing.T) {
	rules := standardRules(t)
	for _, c := range []struct {
		topic, payload string
		history        bool
	}{
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","t":1792998000,"v":90}]`, true},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","v":90}]`, false},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","t":-3600,"v":90}]`, false},
		{"senml/gw-silo", `[{"n":"riverside/lub-7/pulses","t":188,"v":90}]`, false},
		{"relative/lub-7", `{"t":-60,"p":90}`, false},
		{"homie/5/lub-7/meter/pulses", `15235`, false},
		{"homie/5/lub-7/$state", `lost`, false},
		{"opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Payload":{"Pulses":1}}]}`, false},
		{"events/lub-7", `{"specversion":"1.0","id":"1","source":"/a","type":"t","time":"2026-10-26T07:00:00Z","data":{"pulses":1}}`, true},
	} {
		m := message(c.topic, c.payload)
		m.Retained = true
		u, kept := Decode(m, rules, plant, received)
		require.Nil(t, kept, c.payload)
		require.Len(t, u.Samples, 1)
		require.Equal(t, !c.history, u.Samples[0].StateOnly, c.payload)
		require.Equal(t, c.history, len(u.Samples[0].Readings) > 0)
		for _, r := range u.Samples[0].Readings {
			require.NotZero(t, r.Flags&reading.Retained)
		}
	}
}

// Whatever comes on a mapped topic, what is taken of it is sound.
func FuzzStandardsMapped(f *testing.F) {
	topics := []string{"senml/gw-silo", "events/lub-7", "bare/lub-7", "opcua/json/data/gw1/1", "homie/5/lub-7/meter/pulses", "homie/5/elevator-2/$state", "homie/5/elevator-2/drive/running"}
	for i, c := range standards {
		for _, seed := range c.seeds {
			f.Add(uint8(i), []byte(seed), i%2 == 0)
		}
	}
	for i, text := range texts {
		f.Add(uint8(i), []byte(text), i%2 == 0)
	}
	rules := standardRules(f)
	f.Fuzz(func(t *testing.T, n uint8, payload []byte, retained bool) {
		m := reading.Message{Topic: topics[int(n)%len(topics)], Payload: payload, Received: received, Retained: retained}
		u, kept := Decode(m, rules, plant, received)
		if kept != nil {
			require.NotEqual(t, NoReason, kept.Reason)
			require.NotEmpty(t, kept.Detail)
			require.True(t, utf8.ValidString(kept.Detail), "%q", kept.Detail)
			require.Less(t, len(kept.Detail), 4096)
			return
		}
		for _, d := range u.Samples {
			require.Contains(t, plant, d.Device)
			require.NotZero(t, len(d.Readings)+len(d.Facts)+btoi(d.StateOnly))
			for _, r := range d.Readings {
				require.False(t, math.IsNaN(r.Value) || math.IsInf(r.Value, 0))
				require.GreaterOrEqual(t, r.At.Year(), EarliestYear)
				require.False(t, r.At.After(received.Add(FutureSlack)))
				require.LessOrEqual(t, len(r.Key), MaxText)
				if !r.FromDevice && retained {
					t.Fatal("a replay of an unknown time made history")
				}
			}
		}
	})
}

// What a hostile payload makes the whole way from message to readings allocate
// is bounded, also where names in it are compared with patterns.
func TestMappedFormsAllocateWithinBounds(t *testing.T) {
	rules := standardRules(t)
	names := `{"n":"riverside/lub-7/pulses","v":1},`
	for name, m := range map[string]reading.Message{
		"records":   message("senml/gw-silo", `[`+strings.Repeat(names, 3_300)+`{"n":"a","v":1}]`),
		"relative":  message("senml/gw-silo", `[{"bn":"riverside/lub-7/pulses"},`+strings.Repeat(`{"t":-5,"v":1,"ut":60},`, 2_400)+`{"v":1}]`),
		"distinct":  message("senml/gw-silo", `[{"bn":"riverside/lub-7/pulses","bt":1792990000},`+manyTimes(3_000)+`{"v":1}]`),
		"data sets": message("opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[`+strings.Repeat(`{"DataSetWriterName":"lub-7","Payload":{"Level":1}},`, 2_400)+`{}]}`),
		"fields":    message("opcua/json/data/gw1/1", `{"MessageType":"ua-data","Messages":[{"DataSetWriterName":"lub-7","Payload":{`+strings.Repeat(`"Level":1,`, 9_000)+`"Level":1}}]}`),
		"wide":      message("events/lub-7", `{"specversion":"1.0","id":"1","source":"/a","type":"t","data":[`+strings.Repeat("1,", 9_900)+`1]}`),
	} {
		require.LessOrEqual(t, len(m.Payload), MaxPayload, name)
		got := allocated(func() { _, _ = Decode(m, rules, plant, received) })
		require.Less(t, got, allocationSlack*uint64(48<<20), name)
	}
}

func manyTimes(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `{"t":%d,"v":%d},`, i, i)
	}
	return b.String()
}
