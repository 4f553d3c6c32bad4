package wire_test

import (
	"bytes"
	"compress/zlib"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"pgregory.net/rapid"

	"dwindle/collector/sparkplug/wire"
)

func ptr[T any](x T) *T { return &x }

func TestWhatIsWrittenIsReadAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		maybe := rapid.Ptr(rapid.Uint64(), true)
		metric := rapid.Custom(func(t *rapid.T) wire.Metric {
			v := wire.Value{Field: wire.Field(rapid.IntRange(0, int(wire.StringField)).Draw(t, "field"))}
			switch v.Field {
			case wire.IntField:
				v.Bits = uint64(rapid.Uint32().Draw(t, "int"))
			case wire.LongField:
				v.Bits = rapid.Uint64().Draw(t, "long")
			case wire.BooleanField:
				v.Bits = rapid.Uint64Range(0, 1).Draw(t, "bool")
			case wire.FloatField:
				v.Real = float64(rapid.Float32().Draw(t, "float"))
			case wire.DoubleField:
				v.Real = rapid.Float64().Draw(t, "double")
			case wire.StringField:
				v.Text = rapid.StringN(0, 20, -1).Draw(t, "text")
			}
			return wire.Metric{
				Name: rapid.StringN(0, 20, -1).Draw(t, "name"), Alias: maybe.Draw(t, "alias"), Time: maybe.Draw(t, "time"),
				Datatype: wire.Datatype(rapid.Uint32().Draw(t, "datatype")), Historical: rapid.Bool().Draw(t, "historical"),
				Transient: rapid.Bool().Draw(t, "transient"), Null: rapid.Bool().Draw(t, "null"), Value: v,
			}
		})
		want := wire.Payload{Time: maybe.Draw(t, "time"), Seq: maybe.Draw(t, "seq"), Metrics: rapid.SliceOfN(metric, 0, 5).Draw(t, "metrics")}
		got, err := wire.Decode(wire.Encode(want))
		require.NoError(t, err)
		require.Equal(t, plain(want), plain(got))
	})
}

// plain leaves out what a payload remembers of its bytes.
func plain(p wire.Payload) []any {
	out := []any{p.Time, p.Seq}
	for _, m := range p.Metrics {
		bits := math.Float64bits(m.Value.Real)
		v := m.Value
		v.Real = 0
		out = append(out, m.Name, m.Alias, m.Time, m.Datatype, m.Historical, m.Transient, m.Null, v, bits)
	}
	return out
}

// A metric that gets its name keeps all that is not read, such as properties.
func TestANameIsFilledInAndAllElseStays(t *testing.T) {
	quality := protowire.AppendTag(nil, 1, protowire.BytesType)
	quality = protowire.AppendString(quality, "Quality")
	quality = protowire.AppendTag(quality, 2, protowire.BytesType)
	quality = protowire.AppendBytes(quality, []byte{3 << 3, 0}) // int value 0
	inner := protowire.AppendTag(nil, 2, protowire.VarintType)
	inner = protowire.AppendVarint(inner, 7)
	inner = protowire.AppendTag(inner, 9, protowire.BytesType)
	inner = protowire.AppendBytes(inner, quality)
	inner = append(inner, 4<<3, 0, 10<<3, 42) // datatype 0: unknown
	payload := protowire.AppendTag(nil, 2, protowire.BytesType)
	payload = protowire.AppendBytes(payload, inner)

	p, err := wire.Decode(payload)
	require.NoError(t, err)
	before := bytes.Clone(payload)
	p.Metrics[0].Name, p.Metrics[0].Datatype = "Count", wire.UInt32
	again, err := wire.Decode(wire.Encode(p))
	require.NoError(t, err)
	m := again.Metrics[0]
	require.Equal(t, "Count", m.Name)
	require.Equal(t, wire.UInt32, m.Datatype)
	require.Equal(t, ptr(uint64(7)), m.Alias)
	require.Equal(t, ptr(int64(0)), m.Quality)
	require.Equal(t, wire.Value{Field: wire.IntField, Bits: 42}, m.Value)
	require.Equal(t, before, payload, "what was received is not written to")
}

func TestMalformedPayloadsAreRefused(t *testing.T) {
	long := protowire.AppendTag(nil, 1, protowire.BytesType)
	long = protowire.AppendBytes(long, bytes.Repeat([]byte("n"), wire.MaxName+1))
	metric := func(inner ...byte) []byte {
		return protowire.AppendBytes(protowire.AppendTag(nil, 2, protowire.BytesType), inner)
	}
	tests := map[string]struct {
		in   []byte
		want string
	}{
		"JSON":                       {[]byte(`{"count":5}`), "field 15 is a group"},
		"cut off":                    {[]byte{2<<3 | 2, 200, 1, 0}, "cut off"},
		"a length beyond the end":    {[]byte{2<<3 | 2, 0xff, 0xff, 0xff, 0xff, 0x0f}, "cut off"},
		"time of the wrong kind":     {[]byte{1<<3 | 2, 0}, "field 1 is of the wrong kind"},
		"a number as a name":         {metric(1<<3, 5), "field 1 is of the wrong kind"},
		"a name that is not UTF-8":   {metric(1<<3|2, 1, 0xff), "not UTF-8"},
		"a text that is not UTF-8":   {metric(15<<3|2, 1, 0xff), "not UTF-8"},
		"a name without end":         {metric(long...), "longer than 512"},
		"more metrics than are read": {bytes.Repeat(metric(), wire.MaxMetrics+1), "more than 10000 metrics"},
		"properties without end":     {metric(protowire.AppendBytes([]byte{9<<3 | 2}, bytes.Repeat([]byte{1<<3 | 2, 0}, wire.MaxProperties+1))...), "more than 256 properties"},
		"too long":                   {make([]byte, wire.MaxBytes+1), "above 1048576"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := wire.Decode(tt.in)
			require.ErrorContains(t, err, tt.want)
		})
	}
}

// packed is a payload whose body holds another one.
func packed(t testing.TB, body []byte, algorithm string) []byte {
	t.Helper()
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	_, err := w.Write(body)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	b := wire.Encode(wire.Payload{Metrics: []wire.Metric{{Name: "algorithm", Datatype: wire.String, Value: wire.Value{Field: wire.StringField, Text: algorithm}}}})
	b = protowire.AppendTag(b, 4, protowire.BytesType)
	b = protowire.AppendString(b, "SPBV1.0_COMPRESSED")
	b = protowire.AppendTag(b, 5, protowire.BytesType)
	return protowire.AppendBytes(b, z.Bytes())
}

func TestAPackedPayloadIsBounded(t *testing.T) {
	inner := wire.Encode(wire.Payload{Seq: ptr(uint64(7))})
	p, err := wire.Decode(packed(t, inner, "deflate"))
	require.NoError(t, err)
	require.Equal(t, ptr(uint64(7)), p.Seq)
	require.Empty(t, p.Metrics)

	for want, in := range map[string][]byte{
		"more than 1048576 bytes": packed(t, make([]byte, 4<<20), "DEFLATE"),
		"packed twice":            packed(t, packed(t, inner, "DEFLATE"), "DEFLATE"),
		"algorithm \"LZ\"":        packed(t, inner, "LZ"),
		"gzip: invalid header":    packed(t, inner, "GZIP"),
	} {
		_, err := wire.Decode(in)
		require.ErrorContains(t, err, want)
	}
}

func TestWhatALaterVersionAddsIsPassedOver(t *testing.T) {
	p, err := wire.Decode([]byte{14 << 3, 5, 3 << 3, 9}) // a field 14, then seq
	require.NoError(t, err)
	require.Equal(t, ptr(uint64(9)), p.Seq)
}

func FuzzDecode(f *testing.F) {
	f.Add(wire.Encode(wire.Payload{Time: ptr(uint64(1)), Seq: ptr(uint64(2)), Metrics: []wire.Metric{{Name: "n", Datatype: wire.Int32, Value: wire.Value{Field: wire.IntField, Bits: 3}}}}))
	f.Fuzz(func(t *testing.T, in []byte) {
		p, err := wire.Decode(in)
		if err != nil {
			return
		}
		again, err := wire.Decode(wire.Encode(p))
		if len(in) > wire.MaxBytes/4 {
			return // names that are filled in may lead above the limit
		}
		require.NoError(t, err)
		require.Equal(t, plain(p), plain(again))
	})
}
