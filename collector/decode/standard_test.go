package decode

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// text tells an item in one line.
func (x item) text() string {
	at := "-"
	if x.when != nil {
		at = x.when.at.Format("15:04:05.999")
		if x.when.fromDevice {
			at += "!"
		}
	}
	out := fmt.Sprintf("%s=%s", x.name, x.value.raw)
	if x.unit != "" {
		out += " " + x.unit
	}
	out += " @" + at
	if x.everyS != 0 {
		out += fmt.Sprintf(" every %g", x.everyS)
	}
	if x.id != "" {
		out += " id " + x.id
	}
	if x.bad != "" {
		out += ": " + x.bad
	}
	return out
}

// itemLines leaves containers out: what is in them stands behind them.
func itemLines(items []item) (out []string) {
	for _, x := range items {
		if nested(x.value) {
			continue
		}
		out = append(out, x.text())
	}
	return out
}

// readForm reads a payload by one form.
func readForm(f form, topic, payload string) ([]item, *Kept) {
	return f.read(input{topic: topic, payload: []byte(payload), received: received})
}

// standards are the forms of this file's tests with a topic for each and seeds.
var standards = []struct {
	form  form
	topic string
	seeds []string
}{
	{senmlForm, "silo/lub-7", []string{
		`[{"bn":"riverside/lub-7/","bt":1792999140,"bu":"count"},{"n":"pulses","v":15234},{"n":"running","vb":true,"ut":60}]`,
		`[{"n":"a","u":"/","v":1,"s":2,"t":-5},{"n":"b","vs":"x"},{"n":"c","vd":"aGkgCg"}]`,
		`[{"bver":26,"bv":1e308,"bs":-5,"n":"a","v":1e308}]`, `[{"n":"a","v":1,"must_":0}]`, `[{"n":"a","v":NaN,"t":1e999}]`, `[]`, `[[`,
	}},
	{cloudEventsForm, "silo/lub-7", []string{
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","time":"2026-10-26T07:00:00Z","data":{"pulses":1,"d":{"cnt":[{"v":5}]}}}`,
		`[{"specversion":"1.0","id":"1","source":"/a","type":"t","data_base64":"eyJwdWxzZXMiOjF9"}]`,
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","datacontenttype":"application/senml+json","data":[{"n":"a","v":1}]}`,
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","datacontenttype":"text/plain","data":"5"}`, `{"specversion":1}`, `[]`, `{`,
	}},
	{opcuaForm, "opcua/json/data/gw-silo/1", []string{
		`{"MessageId":"32","MessageType":"ua-data","PublisherId":"gw-silo","Messages":[{"DataSetWriterId":5,"Timestamp":"2026-10-26T07:00:00Z","Payload":{"Pulses":{"Value":15235,"SourceTimestamp":"2026-10-26T06:59:59.8Z","StatusCode":{"Code":2147483648}},"RunHours":{"Type":11,"Body":12558.5},"X":{"Y":[1,2]}}}]}`,
		`{"MessageType":"ua-metadata"}`, `{"DataSetWriterName":"w","Payload":{"a":1}}`, `[{"Payload":{"a":{"UaType":6,"Value":1}}}]`, `{"Messages":5}`, `{`,
	}},
	{homieForm, "homie/5/lub-7/meter/pulses", []string{"15235", "true", "True", "ready", "lost", "12,5", "\x00", "-", " 5 ", "1e5", `{"homie":"5.0"}`}},
}

// Whatever comes, a form gives items that can be mapped or says why not.
func checkForm(t *testing.T, f form, topic string, payload []byte) {
	t.Helper()
	if len(payload) == 0 || len(payload) > MaxPayload {
		return // sorted out before
	}
	if f.recognises != nil {
		_ = f.recognises(topic, payload)
	}
	require.LessOrEqual(t, len(HomieHints(topic, payload)), mostHints)
	items, kept := f.read(input{topic: topic, payload: payload, received: received})
	if kept != nil {
		require.NotEqual(t, NoReason, kept.Reason)
		require.NotEmpty(t, kept.Detail)
		require.True(t, utf8.ValidString(kept.Detail), "%q", kept.Detail)
		require.Less(t, len(kept.Detail), 1024)
		require.Empty(t, items)
		return
	}
	require.LessOrEqual(t, len(items), 2*MaxElements)
	for _, x := range items {
		require.LessOrEqual(t, len(x.name), 2*MaxTopic)
		require.LessOrEqual(t, len(x.id), MaxText)
		require.True(t, utf8.ValidString(x.name+x.unit+x.id))
		require.GreaterOrEqual(t, x.everyS, 0.0)
		if x.when != nil {
			require.GreaterOrEqual(t, x.when.at.Year(), EarliestYear)
			require.False(t, x.when.at.After(received.Add(FutureSlack)))
		}
	}
}

func fuzzForm(f *testing.F, n int) {
	c := standards[n]
	for _, seed := range c.seeds {
		f.Add(c.topic, []byte(seed))
	}
	for _, text := range texts {
		f.Add(c.topic, []byte(text))
	}
	f.Fuzz(func(t *testing.T, topic string, payload []byte) { checkForm(t, c.form, topic, payload) })
}

func FuzzSenML(f *testing.F)       { fuzzForm(f, 0) }
func FuzzCloudEvents(f *testing.F) { fuzzForm(f, 1) }
func FuzzOPCUA(f *testing.F)       { fuzzForm(f, 2) }
func FuzzHomie(f *testing.F)       { fuzzForm(f, 3) }

// What a hostile payload makes a form allocate is bounded.
func TestFormsAllocateWithinBounds(t *testing.T) {
	long := strings.Repeat("a", 100_000)
	deep := strings.Repeat(`{"`+strings.Repeat("b", 400)+`":`, 30) + "1" + strings.Repeat("}", 30)
	for name, payload := range map[string]string{
		"deep":              strings.Repeat("[", 200_000),
		"objects":           strings.Repeat(`{"a":`, 50_000),
		"wide":              `[` + strings.Repeat(`{},`, 9_000) + `{}]`,
		"too wide":          `[` + strings.Repeat(`{},`, 80_000) + `{}]`,
		"records":           `[{"bn":"` + strings.Repeat("a", 500) + `"},` + strings.Repeat(`{"v":1},`, 4_900) + `{"v":1}]`,
		"records with sums": `[{"bs":1},` + strings.Repeat(`{"n":"a"},`, 4_900) + `{"n":"a"}]`,
		"long base":         `[{"bn":"` + long + `"},` + strings.Repeat(`{"v":1},`, 4_000) + `{"v":1}]`,
		"long digits":       `[{"bv":` + strings.Repeat("9", 100_000) + `},` + strings.Repeat(`{"n":"a","v":1},`, 3_000) + `{"n":"a","v":1}]`,
		"event, wide data":  `{"specversion":"1.0","id":"1","source":"/a","type":"t","data":{"` + strings.Repeat("b", 500) + `":[` + strings.Repeat("1,", 9_900) + `1]}}`,
		"event, long names": `{"specversion":"1.0","id":"` + long + `","source":"/a","type":"t","data":{"` + long + `":[` + strings.Repeat("1,", 9_900) + `1]}}`,
		"event, deep names": `{"specversion":"1.0","id":"1","source":"/a","type":"t","data":` + deep + `}`,
		"events":            `[` + strings.Repeat(`{"specversion":"1.0","id":"1","source":"/a","type":"t","data":1},`, 1_600) + `{"specversion":"1.0","id":"1","source":"/a","type":"t"}]`,
		"network message":   `{"MessageType":"ua-data","Messages":[{"DataSetWriterName":"` + strings.Repeat("w", 500) + `","Payload":{"a":[` + strings.Repeat("1,", 9_900) + `1]}}]}`,
		"data sets":         `{"MessageType":"ua-data","Messages":[` + strings.Repeat(`{"Payload":{"a":1}},`, 3_000) + `{}]}`,
		"binary":            strings.Repeat("\x00", 250_000),
		"text":              strings.Repeat("5", 250_000),
	} {
		require.LessOrEqual(t, len(payload), MaxPayload, name)
		for _, c := range standards {
			got := allocated(func() {
				_ = c.form.recognises(c.topic, []byte(payload))
				_, _ = readForm(c.form, c.topic, payload)
			})
			// 10,000 items of 200 bytes with the growth of their list, scanned
			// lists of as many values, and names of up to 512 bytes each.
			require.Less(t, got, allocationSlack*uint64(24<<20), "%s as %s", name, c.form.name)
		}
	}
}
