package decode

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// texts are seeds for both fuzzers, and cases of their own.
var texts = []string{
	`{}`, `{"count":1}`, `{"a":[1,2,{"b":"c"}],"d":null}`, `{"a":"\u00e9\n\"","b":"\ud834\udd1e"}`, `{"a":"\ud800"}`,
	`{"a":1e5,"b":-0.5E-3,"c":0}`, `{"a":01}`, `{"a":1.}`, `{"a":.5}`, `{"a":-}`, `{"a":1e}`, `{"a":"\x"}`, `{"a":"`, `{"a":"\`, `{"a":"\u12"}`,
	`{"a" 1}`, `{"a":}`, `{,}`, `{"a":1,}`, `[`, `]`, `{"a":[}`, `nul`, `{"a":nul}`, `{"a":truefalse}`, "{\"a\":\"\t\"}", "{\"a\":1}\x00", `{"a":tru}`,
	`{"count":"12,5","at":"2026-10-26T07:16:40Z"}`, `{"hours":1,"running":"on","at":1793000000}`, `{"setting":{"pacing":"run","cm3_per_100h":2}}`,
	`{"volume_cm3":120,"batch":"B7"}`, `{"percent":50,"grams":1,"count_left":3}`, `{"faults":["a","b"],"every_s":60}`, `{"pulses":1,"id":"x"}`,
	`{"hours":NaN}`, `{"hours":-inf}`, `{"hours":Infinity}`,
}

// agreeWithStandard holds the scanner to encoding/json: what one takes, the
// other takes, but for the limits and the bare words for "no number".
func agreeWithStandard(t *testing.T, in []byte) {
	t.Helper()
	if !utf8.Valid(in) {
		return
	}
	members, fault := scanObject(in)
	if fault == nil {
		lower := strings.ToLower(string(in))
		if strings.Contains(lower, "nan") || strings.Contains(lower, "inf") {
			return
		}
		var want map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(in, &want), "%q", in)
		got := map[string]json.RawMessage{}
		for _, m := range members {
			got[m.name] = m.value.raw
			if m.value.kind == textValue {
				var text string
				require.NoError(t, json.Unmarshal(m.value.raw, &text))
				require.Equal(t, text, m.value.text)
			}
		}
		require.Equal(t, len(want), len(got))
		for name, raw := range want {
			require.Equal(t, string(raw), string(got[name]))
		}
		return
	}
	if fault.reason == NotJSON || fault.reason == TrailingData {
		require.False(t, json.Valid(in), "%q: %s", in, fault.detail)
	}
	if fault.reason == NotObject && json.Valid(in) {
		require.NotEqual(t, byte('{'), strings.TrimLeft(string(in), " \t\r\n")[0])
	}
}

func TestScannerAgreesWithTheStandard(t *testing.T) {
	for _, text := range texts {
		agreeWithStandard(t, []byte(text))
	}
}

func FuzzScan(f *testing.F) {
	for _, text := range texts {
		f.Add([]byte(text))
	}
	f.Fuzz(agreeWithStandard)
}

func FuzzNative(f *testing.F) {
	for i, text := range texts {
		kinds := []string{"run", "pulse", "dose", "level", "status", "change"}
		f.Add("lube/v1/riverside/lub-7/"+kinds[i%6], []byte(text), i%2 == 0)
		f.Add("lube/v1/riverside/elevator-2/run", []byte(text), false)
	}
	f.Add("$SYS/x", []byte("\xEF\xBB\xBF{}"), false)
	f.Fuzz(func(t *testing.T, topic string, payload []byte, retained bool) {
		m := reading.Message{Topic: topic, Payload: payload, Received: received, Retained: retained}
		d, kept := decode(m)
		if kept != nil {
			if kept.Reason == NoReason || kept.Detail == "" || !utf8.ValidString(kept.Detail) || len(kept.Detail) > 4096 {
				t.Fatalf("kept aside without a usable reason: %+v", kept)
			}
			return
		}
		if !d.StateOnly && len(d.Readings)+len(d.Facts) == 0 {
			t.Fatal("taken, but nothing in it")
		}
		for _, r := range d.Readings {
			if r.Value != r.Value || r.Value-r.Value != 0 {
				t.Fatalf("not finite: %+v", r)
			}
			if r.At.Year() < EarliestYear || r.At.After(received.Add(FutureSlack)) {
				t.Fatalf("outside the clock's bounds: %v", r.At)
			}
		}
		for _, x := range d.Facts {
			if _, err := json.Marshal(x); err != nil || x.ID == "" || x.At.IsZero() {
				t.Fatalf("fact %+v: %v", x, err)
			}
		}
	})
}

// What a hostile payload makes the decoder allocate is bounded by its size.
func TestAllocationIsBounded(t *testing.T) {
	for name, payload := range map[string]string{
		"deep":    strings.Repeat("[", 200_000),
		"objects": strings.Repeat(`{"a":`, 50_000),
		"wide":    `{"a":[` + strings.Repeat("[],", 80_000) + `0]}`,
		"fields":  `{` + strings.Repeat(`"a":0,`, 40_000) + `"b":0}`,
		"escapes": `{"a":"` + strings.Repeat(`\u00e9`, 40_000) + `"}`,
		"digits":  `{"count":` + strings.Repeat("9", 250_000) + `}`,
		"binary":  strings.Repeat("\x00", 250_000),
	} {
		require.LessOrEqual(t, len(payload), MaxPayload, name)
		m := send("lub-7/pulse", payload)
		got := allocated(func() { _, _ = decode(m) })
		// Scanning a member costs its name and 64 bytes, with growth of the
		// list about four times that for at most 10,000 of them.
		require.Less(t, got, uint64(4<<20), name)
	}
}

func BenchmarkNative(b *testing.B) {
	for name, m := range map[string]reading.Message{
		"count": send("lub-7/pulse", `{"count":15234,"at":"2026-10-26T07:16:40Z"}`),
		"wide":  send("elevator-2/run", `{"at":1792999000,"running":true,"hours":12558.5,"rssi":-70,"fw":"1.4.2","site":"riverside","uptime":451800,"heap":23412,"net":{"ip":"10.0.0.7","ch":6}}`),
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, kept := decode(m); kept != nil {
					b.Fatal(kept)
				}
			}
		})
		// The baseline: the standard decoder into a map, without any vetting.
		b.Run(name+"/map", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				var v map[string]any
				if err := json.Unmarshal(m.Payload, &v); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
