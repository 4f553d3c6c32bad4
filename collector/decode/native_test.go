package decode

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// received is the receive time of all messages here.
var received = time.Date(2026, 10, 26, 7, 20, 0, 0, time.UTC)

type register map[string]Device

func (r register) Lookup(id string) (Device, bool) { d, ok := r[id]; return d, ok }

// plant is a small register: an elevator, a dispenser of which all is known,
// one of which nothing is known, a gateway.
var plant = register{
	"elevator-2": {Role: Machine},
	"lub-7":      {Role: Dispenser, CapacityCM3: 120, TolerancePercent: 5, LargestCM3: 250, DensityGPerCM3: 0.9, TareG: 38, CM3PerStroke: 0.25, CM3PerPulse: 0.3},
	"lub-spare":  {Role: Dispenser, LargestCM3: 250},
	"gw-silo":    {Role: Gateway},
	"broken":     {},
}

func send(topic, payload string) reading.Message {
	return reading.Message{Topic: "lube/v1/riverside/" + topic, Payload: []byte(payload), Received: received}
}

func decode(m reading.Message) (Decoded, *Kept) {
	return Native(m, "lube/v1", "riverside", plant, received.Add(time.Hour))
}

// values gives the readings by quantity, for short tables.
func values(d Decoded) map[reading.Quantity]float64 {
	out := map[reading.Quantity]float64{}
	for _, r := range d.Readings {
		out[r.Quantity] = r.Value
	}
	return out
}

func TestKindsAreTaken(t *testing.T) {
	type v = map[reading.Quantity]float64
	for _, c := range []struct {
		topic, payload string
		want           v
		coerced        int
		missing        []string
	}{
		{topic: "elevator-2/run", payload: `{"running":true}`, want: v{reading.RunRunning: 1}},
		{topic: "elevator-2/run", payload: `{"running":false,"hours":1200.5}`, want: v{reading.RunRunning: 0, reading.RunHours: 1200.5}},
		{topic: "elevator-2/run", payload: `{"hours":100,"seconds":360000}`, want: v{reading.RunHours: 100, reading.RunSeconds: 360000}},
		{topic: "elevator-2/run", payload: `{"hours":100,"seconds":363000}`, want: v{reading.RunHours: 100, reading.RunSeconds: 363000}},
		{topic: "elevator-2/run", payload: `{"hours":0.00,"seconds":1}`, want: v{reading.RunHours: 0, reading.RunSeconds: 1}},
		{topic: "elevator-2/run", payload: `{"running":"RUNNING"}`, want: v{reading.RunRunning: 1}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"running":"Off"}`, want: v{reading.RunRunning: 0}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"running":1}`, want: v{reading.RunRunning: 1}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"hours":12,"running":null}`, want: v{reading.RunHours: 12}, missing: []string{"running"}},
		{topic: "elevator-2/run", payload: `{"hours":nan,"running":true}`, want: v{reading.RunRunning: 1}, missing: []string{"hours"}},
		{topic: "elevator-2/run", payload: `{"hours":-Infinity,"running":true}`, want: v{reading.RunRunning: 1}, missing: []string{"hours"}},
		{topic: "elevator-2/run", payload: `{"hours":"N","running":true}`, want: v{reading.RunRunning: 1}, missing: []string{"hours"}},
		{topic: "elevator-2/run", payload: `{"hours":"1200.5"}`, want: v{reading.RunHours: 1200.5}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"hours":"12,5"}`, want: v{reading.RunHours: 12.5}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"hours":1.2e3,"rssi":-70,"deep":{"a":[1,{"b":null}]}}`, want: v{reading.RunHours: 1200}},
		{topic: "elevator-2/run", payload: " \r\n{\"hours\" : 7 }\t\n", want: v{reading.RunHours: 7}},
		{topic: "elevator-2/run", payload: "\xEF\xBB\xBF{\"hours\":7}", want: v{reading.RunHours: 7}},
		{topic: "elevator-2/run", payload: `{"Hours":7}`, want: v{reading.RunHours: 7}, coerced: 1},
		{topic: "elevator-2/run", payload: `{"Hours":5,"hours":6,"HOURS":7}`, want: v{reading.RunHours: 6}},
		{topic: "elevator-2/run", payload: `{"device":"lub-7","hours":6}`, want: v{reading.RunHours: 6}},
		{topic: "lub-7/pulse", payload: `{"count":15234}`, want: v{reading.PulseCount: 15234}},
		{topic: "lub-7/pulse", payload: `{"count":15234.0}`, want: v{reading.PulseCount: 15234}},
		{topic: "lub-7/pulse", payload: `{"count":-2147483640}`, want: v{reading.PulseCount: -2147483640}},
		{topic: "lub-7/pulse", payload: `{"pulses":2,"id":"a-1"}`, want: v{reading.PulseIncrement: 2}},
		{topic: "lub-7/pulse", payload: `{"pulses":2,"id":17,"count":5}`, want: v{reading.PulseIncrement: 2, reading.PulseCount: 5}, coerced: 1},
		{topic: "lub-7/dose", payload: `{"cm3":31.5,"strokes":126}`, want: v{reading.DoseCM3: 31.5, reading.DoseStrokes: 126}},
		{topic: "lub-7/level", payload: `{"cm3":126,"percent":105,"count_left":421,"grams":113.4}`, want: v{reading.LevelCM3: 126, reading.LevelPercent: 105, reading.LevelCountLeft: 421, reading.LevelGrams: 113.4}},
		{topic: "lub-spare/level", payload: `{"cm3":400,"count_left":99999}`, want: v{reading.LevelCM3: 400, reading.LevelCountLeft: 99999}},
		{topic: "lub-7/status", payload: `{"temperature_c":-12.5,"pressure_bar":0,"supply_v":3.6,"online":true,"every_s":900}`, want: v{reading.StatusTempC: -12.5, reading.StatusBar: 0, reading.StatusVolt: 3.6, reading.StatusOnline: 1, reading.StatusEveryS: 900}},
		{topic: "gw-silo/status", payload: `{"online":false}`, want: v{reading.StatusOnline: 0}},
		{topic: "elevator-2/status", payload: `{"online":true,"setting":"full speed"}`, want: v{reading.StatusOnline: 1}},
	} {
		t.Run(c.topic+" "+c.payload, func(t *testing.T) {
			d, kept := decode(send(c.topic, c.payload))
			require.Nil(t, kept)
			require.Equal(t, c.want, values(d))
			require.Equal(t, c.coerced, d.Coerced)
			require.Equal(t, c.missing, d.Missing)
			id, kind, _ := strings.Cut(c.topic, "/")
			require.Equal(t, id, d.Device)
			require.Equal(t, reading.Kind(kind), d.Kind)
			for _, r := range d.Readings {
				require.Equal(t, id, r.Device)
				require.Equal(t, received, r.At)
				require.Equal(t, received, r.Received)
				require.False(t, r.FromDevice)
				require.Equal(t, reading.ReceiveTime, r.Flags)
				if r.Quantity.Exact() {
					require.Equal(t, r.Value, float64(r.Count))
				}
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	deep := strings.Repeat(`{"a":`, 40) + "1" + strings.Repeat("}", 40)
	wide := `{"hours":1,"a":[` + strings.Repeat("0,", 10_001) + `0]}`
	for _, c := range []struct {
		topic, payload string
		want           Reason
		detail         string // part of the detail
	}{
		{"elevator-2/run", ``, Empty, "length 0"},
		{"elevator-2/run", "\xEF\xBB\xBF", Empty, "mark"},
		{"elevator-2/run", `  `, NotJSON, "no object"},
		{"elevator-2/run", `{"hours":` + strings.Repeat("1", MaxPayload) + `}`, Oversize, "bytes"},
		{"elevator-2/run", "\xFF\xFE{\x00\"\x00", NotUTF8, "UTF-16"},
		{"elevator-2/run", "{\x00\"\x00h\x00", NotUTF8, "UTF-16"},
		{"elevator-2/run", "\x9C\x31\xFF", NotUTF8, `"\x9c1\xff"`},
		{"elevator-2/run", `{"hours":12,"running":`, NotJSON, "byte 22"},
		{"elevator-2/run", `{"hours":012}`, NotJSON, "leading zeros"},
		{"elevator-2/run", `{"hours":+12}`, NotJSON, "want a value"},
		{"elevator-2/run", `{hours:12}`, NotJSON, "double quotes"},
		{"elevator-2/run", `{"hours":12,}`, NotJSON, ""},
		{"elevator-2/run", `{"hours":'12'}`, NotJSON, ""},
		{"elevator-2/run", "{\"ho\nurs\":12}", NotJSON, "control character"},
		{"elevator-2/run", `{"hours":12}{"hours":13}`, TrailingData, "byte 12"},
		{"elevator-2/run", `{"hours":12} x`, TrailingData, ""},
		{"elevator-2/run", `12558.5`, NotObject, ""},
		{"elevator-2/run", `[{"hours":12}]`, NotObject, ""},
		{"elevator-2/run", `"maybe"`, NotObject, ""},
		{"elevator-2/run", `MAYBE`, NotJSON, ""},
		{"elevator-2/run", deep, TooComplex, "deeper than 32"},
		{"elevator-2/run", wide, TooComplex, "10000"},
		{"elevator-2/run", `{"hours":1,"hours":2}`, DuplicateKey, "hours"},
		{"elevator-2/run", `{"Hours":1,"HOURS":2}`, DuplicateKey, "hours"},
		{"elevator-2/run", `{}`, NoValue, "run"},
		{"elevator-2/run", `{"speed":3}`, NoValue, "run"},
		{"elevator-2/run", `{"hours":null,"running":NaN}`, NoValue, "running, hours"},
		{"elevator-2/run", `{"hours":-3.2}`, OutOfRange, "hours: -3.2"},
		{"elevator-2/run", `{"hours":1e300}`, OutOfRange, "hours"},
		{"elevator-2/run", `{"hours":1e999}`, Overflow, "hours"},
		{"elevator-2/run", `{"hours":"12.5 parsec"}`, BadUnit, "12.5 parsec"},
		{"elevator-2/run", `{"hours":"1,234"}`, NotANumber, "1,234"},
		{"elevator-2/run", `{"hours":"0x1F"}`, NotANumber, "0x1F"},
		{"elevator-2/run", `{"hours":"1_000"}`, NotANumber, "1_000"},
		{"elevator-2/run", `{"hours":true}`, NotANumber, "hours"},
		{"elevator-2/run", `{"hours":{"v":1}}`, NotANumber, "hours"},
		{"elevator-2/run", `{"hours":1,"running":"maybe"}`, NotABoolean, "running"},
		{"elevator-2/run", `{"running":2}`, NotABoolean, "running"},
		{"elevator-2/run", `{"running":[]}`, NotABoolean, "running"},
		{"elevator-2/run", `{"hours":100,"seconds":364000}`, Disagree, "101.111 h"},
		{"elevator-2/run", `{"hours":100,"seconds":100}`, Disagree, ""},
		{"elevator-2/run", `{"hours":1,"at":"noon"}`, BadTime, "noon"},
		{"elevator-2/run", `{"hours":1,"at":17930000000}`, BadTime, "at"},
		{"elevator-2/run", `{"hours":1,"at":true}`, BadTime, "at"},
		{"elevator-2/run", `{"hours":1,"at":"2026-02-30T00:00:00Z"}`, BadTime, "at"},
		{"elevator-2/run", `{"hours":1,"at":1793000000,"at":1793000001}`, DuplicateKey, "at"},
		{"lub-7/pulse", `{"count":-1}`, OutOfRange, "below 0"},
		{"lub-7/dose", `{"strokes":-9999}`, OutOfRange, "below 0"},
		{"lub-7/pulse", `{"count":-2147483649}`, OutOfRange, ""},
		{"lub-7/pulse", `{"count":12.5}`, NotANumber, "whole"},
		{"lub-7/pulse", `{"count":9223372036854775808}`, Overflow, "9223372036854775807"},
		{"lub-7/pulse", `{"count":18446744073709551615}`, Overflow, ""},
		{"lub-7/pulse", `{"count":1e40}`, Overflow, ""},
		{"lub-7/pulse", `{"count":1e-300}`, NotANumber, ""},
		{"lub-7/pulse", `{"pulses":1}`, NoIncrementID, "id"},
		{"lub-7/pulse", `{"pulses":-1,"id":"a"}`, OutOfRange, "pulses"},
		{"lub-7/pulse", `{"pulses":1e12,"id":"a"}`, OutOfRange, "pulses"},
		{"lub-7/pulse", `{"pulses":1,"id":"` + strings.Repeat("x", 129) + `"}`, NotText, "id"},
		{"lub-spare/dose", `{"strokes":7}`, NoStrokeVolume, "strokes"},
		{"lub-spare/dose", `{"cm3":1,"strokes":7}`, NoStrokeVolume, "strokes"}, // whole or not at all
		{"lub-spare/level", `{"grams":80}`, NoDensity, "grams"},
		{"lub-spare/level", `{"cm3":501}`, AboveVolume, "500"},
		{"lub-7/level", `{"cm3":126.1}`, AboveVolume, "126"},
		{"lub-7/level", `{"percent":105.1}`, AboveVolume, "105"},
		{"lub-7/level", `{"grams":113.5}`, AboveVolume, "113.4"},
		{"lub-7/level", `{"count_left":422}`, AboveVolume, "421"},
		{"lub-7/level", `{"cm3":-0.1}`, OutOfRange, "cm3"},
		{"lub-7/level", `{"count_left":-1}`, OutOfRange, "count_left"},
		{"lub-7/change", `{"batch":"B7"}`, BadVolume, "not given"},
		{"lub-7/change", `{"volume_cm3":0}`, BadVolume, "above 0"},
		{"lub-7/change", `{"volume_cm3":-120}`, BadVolume, "above 0"},
		{"lub-7/change", `{"volume_cm3":500.1}`, BadVolume, "twice"},
		{"lub-7/change", `{"volume_cm3":120,"residual_cm3":-1}`, OutOfRange, "residual_cm3"},
		{"lub-7/change", `{"volume_cm3":120,"batch":["B7"]}`, NotText, "batch"},
		{"lub-7/status", `{"every_s":0}`, OutOfRange, "every_s"},
		{"lub-7/status", `{"temperature_c":-300}`, OutOfRange, "temperature_c"},
		{"lub-7/status", `{"faults":"E5"}`, NotText, "faults"},
		{"lub-7/status", `{"faults":["E5",7]}`, NotText, "faults"},
		{"lub-7/status", `{"setting":"run"}`, BadSetting, "setting"},
		{"lub-7/status", `{"setting":{"pacing":"time","cm3_per_100h":2}}`, BadSetting, "setting.pacing"},
		{"lub-7/status", `{"setting":{"pacing":"run","cm3_per_pulse":2}}`, BadSetting, "setting.cm3_per_100h"},
		{"lub-7/status", `{"setting":{"pacing":"pulse","cm3_per_pulse":0}}`, BadSetting, "setting.cm3_per_pulse"},
		{"lub-7/status", `{"setting":{"pacing":"pulse","cm3_per_pulse":"much"}}`, NotANumber, "setting.cm3_per_pulse"},
		{"lub-7/run", `{"hours":1}`, WrongDevice, "dispenser"},
		{"elevator-2/pulse", `{"count":1}`, WrongDevice, "machine"},
		{"gw-silo/run", `{"hours":1}`, WrongDevice, "gateway"},
		{"broken/status", `{"online":true}`, WrongDevice, "device"},
		{"lub-7/flow", `{"cm3":1}`, UnknownKind, "flow"},
		{"lub-7/Pulse", `{"count":1}`, UnknownKind, "Pulse"},
		{"LUB-7/pulse", `{"count":1}`, UnknownDevice, "LUB-7"},
		{"lub-9/pulse", `not even JSON`, UnknownDevice, "lub-9"},
	} {
		t.Run(c.topic+" "+clip(c.payload), func(t *testing.T) {
			d, kept := decode(send(c.topic, c.payload))
			require.NotNil(t, kept, "%+v", d)
			require.Equal(t, c.want.String(), kept.Reason.String(), kept.Detail)
			require.Contains(t, kept.Detail, c.detail)
			require.Less(t, len(kept.Detail), 400)
			require.Zero(t, d)
			id, _, _ := strings.Cut(c.topic, "/")
			require.Equal(t, id, kept.Device)
			if c.want == UnknownDevice {
				require.Equal(t, id, kept.Unknown)
			} else {
				require.Empty(t, kept.Unknown)
			}
		})
	}
}

func TestTopics(t *testing.T) {
	for topic, want := range map[string]Reason{
		"lube/v1/riverside/lub-7/pulse":                       NoReason,
		"lube/v1/riverside/lub-7/pulse/":                      BadTopic,
		"lube/v1/riverside/lub-7":                             BadTopic,
		"lube/v1/riverside//pulse":                            BadTopic,
		"lube/v1/riverside/lub 7/pulse":                       BadTopic,
		"lube/v1/riverside/lüb-7/pulse":                       BadTopic,
		"lube/v1/riverside/+/pulse":                           BadTopic,
		"lube/v1/riverside/" + strings.Repeat("x", 65) + "/p": BadTopic,
		"lube/v1/riverside/../pulse":                          UnknownDevice, // a valid id; no path is ever made of it
		"lube/v1/Riverside/lub-7/pulse":                       WrongSite,
		"lube/v1/hillside/lub-7/pulse":                        WrongSite,
		"lube/v2/riverside/lub-7/pulse":                       BadTopic,
		"lube/v1x/riverside/lub-7/pulse":                      BadTopic,
		"/lube/v1/riverside/lub-7/pulse":                      BadTopic,
		"$SYS/broker/uptime":                                  BadTopic,
		"lube/v1/riverside/l\xE4b/pulse":                      BadTopic,
		"":                                                    BadTopic,
		"lube/v1/" + strings.Repeat("x/", 400):                BadTopic,
	} {
		m := send("", `{"count":1}`)
		m.Topic = topic
		_, kept := decode(m)
		got := NoReason
		if kept != nil {
			got = kept.Reason
			require.Equal(t, strings.ToValidUTF8(kept.Detail, ""), kept.Detail, "details are always text")
		}
		require.Equal(t, want.String(), got.String(), "%q", topic)
	}
	// The prefix is configured, with or without slashes around it.
	m := send("", `{"count":1}`)
	m.Topic = "plant/grease/riverside/lub-7/pulse"
	_, kept := Native(m, "/plant/grease/", "riverside", plant, received)
	require.Nil(t, kept)
}

func TestExactCounts(t *testing.T) {
	for payload, want := range map[string]int64{
		`{"count":9223372036854775807}`:           1<<63 - 1,
		`{"count":"9223372036854775807"}`:         1<<63 - 1,
		`{"count":9007199254740993}`:              1<<53 + 1,
		`{"count":9007199254740993.0}`:            1<<53 + 1,
		`{"count":90071992547409930e-1}`:          1<<53 + 1,
		`{"count":1.5e3}`:                         1500,
		`{"count":0e99999}`:                       0,
		`{"count":-0}`:                            0,
		`{"count":"007"}`:                         7,
		`{"count":"+7"}`:                          7,
		`{"count":-2147483648}`:                   -1 << 31,
		`{"count":0.000000000000001e+15}`:         1,
		`{"count":1000000000000000000000000e-20}`: 10000,
	} {
		d, kept := decode(send("lub-7/pulse", payload))
		require.Nil(t, kept, payload)
		require.Equal(t, want, d.Readings[0].Count, payload)
		require.Equal(t, want > 1<<53, d.Readings[0].Flags&reading.Inexact != 0, payload)
	}
}

func TestIncrementCarriesItsID(t *testing.T) {
	d, kept := decode(send("lub-7/pulse", `{"pulses":1,"id":" k-9 "}`))
	require.Nil(t, kept)
	require.Equal(t, "k-9", d.Readings[0].Key)
}

func TestReplayedMessages(t *testing.T) {
	m := send("lub-7/pulse", `{"count":15234,"at":"2026-10-01T06:00:00Z"}`)
	m.Retained = true
	d, kept := decode(m)
	require.Nil(t, kept)
	require.False(t, d.StateOnly)
	require.Equal(t, reading.Retained, d.Readings[0].Flags)
	require.Equal(t, "2026-10-01T06:00:00Z", d.Readings[0].At.Format(time.RFC3339))

	for _, payload := range []string{`{"count":15234}`, `{"count":15234,"at":37}`, `{"count":15234,"at":null}`} {
		m.Payload = []byte(payload)
		d, kept = decode(m)
		require.Nil(t, kept)
		require.True(t, d.StateOnly, payload)
		require.Empty(t, d.Readings)
	}
	m = send("lub-7/change", `{"volume_cm3":120}`)
	m.Retained = true
	d, kept = decode(m)
	require.Nil(t, kept)
	require.True(t, d.StateOnly)
	require.Empty(t, d.Facts)
}

func TestReceiveTimeIsTheMessages(t *testing.T) {
	m := send("elevator-2/run", `{"hours":1}`)
	m.Received = time.Date(2026, 1, 2, 3, 4, 5, 678_900_000, time.FixedZone("", 3600))
	d, kept := decode(m)
	require.Nil(t, kept)
	require.Equal(t, time.Date(2026, 1, 2, 2, 4, 5, 679_000_000, time.UTC), d.Readings[0].At)
	m.Received = time.Time{}
	d, kept = decode(m)
	require.Nil(t, kept)
	require.Equal(t, received.Add(time.Hour), d.Readings[0].At, "now stands in where none was noted")
}

func TestReasonsHaveWordsAndRemedies(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range Reasons() {
		require.NotEmpty(t, r.Remedy(), r)
		require.False(t, seen[r.String()], r)
		seen[r.String()] = true
		back, err := ParseReason(r.String())
		require.NoError(t, err)
		require.Equal(t, r, back)
		text, err := r.MarshalText()
		require.NoError(t, err)
		var again Reason
		require.NoError(t, again.UnmarshalText(text))
		require.Equal(t, r, again)
	}
	_, err := ParseReason("gone")
	require.Error(t, err)
	require.Equal(t, "reason_200", Reason(200).String())
	require.Empty(t, Reason(200).Remedy())
}

func TestBareValuesOnNativeTopics(t *testing.T) {
	type v = map[reading.Quantity]float64
	for _, c := range []struct {
		topic, payload string
		want           v // nil: refused
	}{
		{"lub-7/pulse", "15234", v{reading.PulseCount: 15234}},
		{"lub-7/pulse", "\uFEFF 15 234 \x00", v{reading.PulseCount: 15234}},
		{"lub-7/pulse", `"15234"`, v{reading.PulseCount: 15234}},
		{"lub-7/pulse", "15.5", nil},
		{"lub-7/pulse", "true", nil},
		{"elevator-2/run", "true", v{reading.RunRunning: 1}},
		{"elevator-2/run", "OFF", v{reading.RunRunning: 0}},
		{"elevator-2/run", "12.5 h", v{reading.RunHours: 12.5}},
		{"elevator-2/run", "45000 s", v{reading.RunHours: 12.5}},
		{"elevator-2/run", "125:30:00", v{reading.RunHours: 125.5}},
		{"elevator-2/run", "1", nil},
		{"elevator-2/run", "12.5", nil},
		{"elevator-2/run", "12.5 cm3", nil},
		{"lub-7/level", "63,5 %", v{reading.LevelPercent: 63.5}},
		{"lub-7/level", "0.05 l", v{reading.LevelCM3: 50}},
		{"lub-7/level", "45 g", v{reading.LevelGrams: 45}},
		{"lub-7/level", "63.5", nil},
		{"lub-7/dose", "12 ml", v{reading.DoseCM3: 12}},
		{"lub-7/dose", "12", nil},
		{"lub-7/status", "offline", v{reading.StatusOnline: 0}},
		{"lub-7/status", "21.5 °C", v{reading.StatusTempC: 21.5}},
		{"lub-7/status", "294.65 K", v{reading.StatusTempC: 21.5}},
		{"lub-7/status", "70.7 degF", v{reading.StatusTempC: 21.5}},
		{"lub-7/status", "300 kPa", v{reading.StatusBar: 3}},
		{"lub-7/status", "3600 mV", v{reading.StatusVolt: 3.6}},
		{"lub-7/status", "true", nil},
		{"lub-7/status", "[1]", nil},
	} {
		d, kept := decode(send(c.topic, c.payload))
		if c.want == nil {
			require.NotNil(t, kept, c.payload)
			require.Contains(t, kept.Reason.Remedy(), "mapping", c.payload)
			continue
		}
		require.Nil(t, kept, "%s %v", c.payload, kept)
		require.Equal(t, c.want, values(d), c.payload)
		require.Equal(t, 1, d.Coerced, c.payload)
	}
	d, kept := decode(send("lub-7/change", "120 ml"))
	require.Nil(t, kept)
	require.Equal(t, 120.0, *d.Facts[0].VolumeCM3)
}
