package decode

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/collector/sparkplug/wire"
	"dwindle/config/mapping"
)

// vector is a payload as another encoder wrote it, and the items that were
// said to come out; see testdata/sparkplug.
type vector struct {
	Name, Topic, Hex string
	Items            []struct {
		Name, Value, Bad  string
		At                int64
		Past, Early, Late bool
	}
}

func vectors(t testing.TB) []vector {
	text, err := os.ReadFile("testdata/sparkplug/vectors.json")
	require.NoError(t, err)
	var v []vector
	require.NoError(t, json.Unmarshal(text, &v))
	require.Greater(t, len(v), 20)
	return v
}

func TestSparkplugPayloadsOfAnotherEncoder(t *testing.T) {
	received := time.Date(2026, 11, 25, 10, 0, 5, 0, time.UTC)
	for _, v := range vectors(t) {
		t.Run(v.Name, func(t *testing.T) {
			payload, err := hex.DecodeString(v.Hex)
			require.NoError(t, err)
			require.True(t, sparkplugForm.recognises(v.Topic, payload))
			items, kept := sparkplugForm.read(input{topic: v.Topic, payload: payload, received: received})
			require.Nil(t, kept)
			p, err := wire.Decode(payload)
			require.NoError(t, err)
			past := map[string]bool{}
			for _, m := range p.Metrics {
				past[m.Name] = m.Historical
			}
			require.Len(t, items, len(v.Items))
			for i, want := range v.Items {
				got := items[i]
				require.Equal(t, want.Name, got.name)
				require.Equal(t, want.Bad, got.bad, want.Name)
				require.Equal(t, want.Past, past[want.Name], want.Name)
				require.Equal(t, want.Value, string(got.value.raw), want.Name)
				switch {
				case want.Early:
					require.Contains(t, got.when.hint, "before 2020", want.Name)
					require.Equal(t, received, got.when.at)
				case want.Late:
					require.Contains(t, got.when.hint, "ahead by 24h0m0s", want.Name)
					require.Equal(t, received, got.when.at)
				case want.At == 0:
					require.Nil(t, got.when, want.Name)
				default:
					require.Equal(t, moment{at: time.UnixMilli(want.At).UTC(), fromDevice: true}, *got.when, want.Name)
				}
			}
		})
	}
}

func TestOnlyDataTopicsAreSparkplug(t *testing.T) {
	for topic, want := range map[string]bool{
		"spBv1.0/terminal/NBIRTH/gw-quay":         true,
		"spBv1.0/terminal/DDATA/gw-quay/d-1":      true,
		"spBv1.0/terminal/NCMD/gw-quay":           false, // what a host asks for is not what was measured
		"spBv1.0/terminal/DCMD/gw-quay/d-1":       false,
		"spBv1.0/STATE/dwindle":                   false,
		"spCv1.0/terminal/NDATA/gw-quay":          false,
		"lube/v1/riverside/d-1/pulse":             false,
		"":                                        false,
		"spBv1.0/terminal/nbirth/gw-quay":         false,
		"site/spBv1.0/terminal/NBIRTH/gw-quay/x1": false,
	} {
		require.Equal(t, want, recognisesSparkplug(topic, nil), topic)
	}
}

// What other encoders do that the one of the vectors does not.
func TestValuesAsOtherEncodersWriteThem(t *testing.T) {
	whole := func(d wire.Datatype, f wire.Field, bits uint64) wire.Metric {
		return wire.Metric{Name: "n", Datatype: d, Value: wire.Value{Field: f, Bits: bits}}
	}
	const none = "null"
	tests := map[string]struct {
		metric     wire.Metric
		value, bad string
	}{
		"Int8 in its own 8 bits":            {whole(wire.Int8, wire.IntField, 0xff), "-1", ""},
		"Int8 extended to 32 bits":          {whole(wire.Int8, wire.IntField, 0xffffff80), "-128", ""},
		"Int8 that is too large":            {whole(wire.Int8, wire.IntField, 300), none, "300 does not fit into Int8"},
		"Int8 extended and still too small": {whole(wire.Int8, wire.IntField, 0xffffff7f), none, "4294967167 does not fit into Int8"},
		"Int16 in its own 16 bits":          {whole(wire.Int16, wire.IntField, 0x8000), "-32768", ""},
		"Int32 in the field of 64 bits":     {whole(wire.Int32, wire.LongField, 0xfffffffffffffffe), "-2", ""},
		"Int32, 32 bits in that field":      {whole(wire.Int32, wire.LongField, 0xfffffffe), "-2", ""},
		"Int64 in 32 bits":                  {whole(wire.Int64, wire.IntField, 5), "5", ""},
		"Int64 in 32 bits, sign lost":       {whole(wire.Int64, wire.IntField, 1<<31), none, "2147483648 does not fit into Int64"},
		"UInt32 in its own field":           {whole(wire.UInt32, wire.IntField, 1<<31), "2147483648", ""},
		"UInt32 in the field of 64 bits":    {whole(wire.UInt32, wire.LongField, 1<<31), "2147483648", ""},
		"UInt8 that is too large":           {whole(wire.UInt8, wire.IntField, 256), none, "256 does not fit into UInt8"},
		"a count without a datatype":        {whole(0, wire.LongField, 5), none, "its datatype is not known: it is what the birth message said"},
		"a datatype of a later version":     {whole(99, wire.LongField, 5), none, "a value of datatype 99 is not read"},
		"a list":                            {whole(wire.Int32Array, wire.BytesField, 0), none, "a value of Int32Array is not read"},
		"whole number in a text":            {wire.Metric{Datatype: wire.Int32, Value: wire.Value{Field: wire.StringField, Text: "5"}}, none, "is Int32 and does not carry a whole number"},
		"Double in the field of a Float":    {wire.Metric{Datatype: wire.Double, Value: wire.Value{Field: wire.FloatField, Real: 2.5}}, "2.5", ""},
		"Double as a whole number":          {whole(wire.Double, wire.IntField, 5), none, "is Double and does not carry one"},
		"Boolean as a whole number":         {whole(wire.Boolean, wire.IntField, 1), none, "is Boolean and does not carry one"},
		"real number without a datatype":    {wire.Metric{Value: wire.Value{Field: wire.DoubleField, Real: 2.5}}, "2.5", ""},
		"no value":                          {wire.Metric{Datatype: wire.Int32}, none, ""},
		"null beside a value":               {wire.Metric{Datatype: wire.Int32, Null: true, Value: wire.Value{Field: wire.IntField}}, none, ""},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			v, bad := metricValue(tt.metric)
			require.Equal(t, tt.bad, bad)
			require.Equal(t, tt.value, string(v.raw))
		})
	}
}

// Two's complement both ways, for every width a sender may choose.
func TestWholeNumbersKeepTheirSign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := wire.Datatype(rapid.IntRange(int(wire.Int8), int(wire.Int32)).Draw(t, "datatype"))
		width := []int{8, 16, 32}[d-wire.Int8]
		n := rapid.Int64Range(-1<<(width-1), 1<<(width-1)-1).Draw(t, "n")
		sent := rapid.SampledFrom([]wire.Value{
			{Field: wire.IntField, Bits: uint64(n) & (1<<width - 1)},
			{Field: wire.IntField, Bits: uint64(uint32(n))},
			{Field: wire.LongField, Bits: uint64(n)},
		}).Draw(t, "as")
		got, _, err := wire.Metric{Datatype: d, Value: sent}.Integer()
		require.NoError(t, err)
		require.Equal(t, n, got)
	})
}

// Births hold every metric, so that one of which a mapping takes nothing is a
// fault; data holds what has changed.
func TestDataOfWhichAMappingTakesNothingIsNoFault(t *testing.T) {
	rules, err := Compile(Spec{Site: "riverside", Mappings: []mapping.Mapping{{
		Topic: "spBv1.0/terminal/+/gw/{device}", Values: []mapping.MappedValue{{From: "Count", As: "pulse.count"}},
	}}})
	require.NoError(t, err)
	known := register{"d-1": {Role: Dispenser}}
	received := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	decode := func(word, metric string) (Understood, *Kept) {
		payload := wire.Encode(wire.Payload{Metrics: []wire.Metric{{Name: metric, Datatype: wire.UInt32, Value: wire.Value{Field: wire.IntField, Bits: 5}}}})
		return Decode(reading.Message{Topic: "spBv1.0/terminal/" + word + "/gw/d-1", Payload: payload, Received: received}, rules, known, received)
	}
	u, kept := decode("DDATA", "Count")
	require.Nil(t, kept)
	require.Equal(t, int64(5), u.Samples[0].Readings[0].Count)
	u, kept = decode("DDATA", "Supply")
	require.Nil(t, kept)
	require.Empty(t, u.Samples)
	require.Equal(t, 1, u.Ignored)
	_, kept = decode("DBIRTH", "Supply")
	require.Equal(t, NoValue, kept.Reason)
	require.Contains(t, kept.Detail, "Supply")
	_, kept = decode("DDATA", "count") // but for its case
	require.Nil(t, kept)
}

func FuzzSparkplug(f *testing.F) {
	for _, v := range vectors(f) {
		payload, err := hex.DecodeString(v.Hex)
		require.NoError(f, err)
		f.Add(payload)
	}
	received := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, payload []byte) {
		items, kept := readSparkplug(input{topic: "spBv1.0/g/NDATA/e", payload: payload, received: received})
		if kept != nil {
			require.Equal(t, NotSparkplug, kept.Reason)
			require.Empty(t, items)
			return
		}
		for _, it := range items {
			require.NotEmpty(t, it.name)
			require.NotEmpty(t, it.value.raw)
			if it.value.kind == numberValue {
				s := &scanner{in: it.value.raw}
				_, fault := s.number()
				require.Nil(t, fault, "%s", it.value.raw)
				require.Equal(t, len(it.value.raw), s.at, "numbers are those of JSON")
			}
			if it.when != nil {
				require.False(t, it.when.at.After(received.Add(FutureSlack)))
				require.GreaterOrEqual(t, it.when.at.Year(), EarliestYear)
			}
		}
	})
}
