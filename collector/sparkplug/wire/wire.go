// Package wire reads and writes the binary payload of Sparkplug B: a list of
// metrics, each with name or alias, datatype, time and value.
//
// Source of the field numbers, datatypes and their rules: Eclipse Foundation,
// Sparkplug Specification, version 3.0.0 (2022), chapter 6, "Payloads". The
// encoding below them is that of Protocol Buffers, done by
// google.golang.org/protobuf/encoding/protowire. Nothing here is generated.
//
// What is read is bounded by MaxBytes, MaxMetrics and MaxProperties, and
// nothing is followed downwards but a metric and its own properties. Memory
// in use is a small multiple of the payload. It is a leaf that knows no
// machines, no topics and no clock. Start with [Decode].
package wire

import (
	"bytes"
	"compress/gzip"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
)

// Limits of what is read from one payload.
const (
	MaxBytes      = 1 << 20
	MaxMetrics    = 10_000
	MaxProperties = 256 // of one metric
	MaxName       = 512 // bytes of a metric's name
)

// Field is the field in which a value travels.
type Field uint8

// The fields of a value. NoField: the metric carries none.
const (
	NoField Field = iota
	IntField
	LongField
	FloatField
	DoubleField
	BooleanField
	StringField
	BytesField
	OtherField // a data set, template or extension, not read
)

// Value is a value as it travels. Which number the bits are depends on the
// datatype: see [Metric.Integer].
type Value struct {
	Field Field
	Bits  uint64  // IntField (32 bits), LongField, BooleanField (0 or 1)
	Real  float64 // FloatField, DoubleField
	Text  string  // StringField
}

// Metric is one value with its name.
type Metric struct {
	Name       string // empty: not sent
	Alias      *uint64
	Time       *uint64 // of the value, ms since 1970 UTC
	Datatype   Datatype
	Historical bool // buffered by the sender; says nothing of now
	Transient  bool // not to be stored
	Null       bool // there is no value
	// Quality is the property of this name: 192 is good, 0 bad, 500 stale. Nil:
	// not sent, which means good.
	Quality *int64
	Value   Value

	raw      []byte // as received; empty for one made here
	name     string // as received
	datatype Datatype
}

// Payload is what one message carries.
type Payload struct {
	Time    *uint64 // of sending, ms since 1970 UTC
	Seq     *uint64
	Metrics []Metric
}

// Field numbers.
const (
	payloadTime    = 1
	payloadMetrics = 2
	payloadSeq     = 3
	payloadUUID    = 4
	payloadBody    = 5

	metricName       = 1
	metricAlias      = 2
	metricTime       = 3
	metricDatatype   = 4
	metricHistorical = 5
	metricTransient  = 6
	metricNull       = 7
	metricProperties = 9
	metricInt        = 10
	metricLong       = 11
	metricFloat      = 12
	metricDouble     = 13
	metricBoolean    = 14
	metricString     = 15
	metricBytes      = 16
	metricDataSet    = 17
	metricTemplate   = 18
	metricExtension  = 19

	propertyKeys   = 1
	propertyValues = 2
	propertyInt    = 3
	propertyLong   = 4
)

// field is one field of a message.
type field struct {
	number protowire.Number
	kind   protowire.Type
	bits   uint64 // varint, fixed32, fixed64
	bytes  []byte
}

// next takes the first field off a message.
func next(b []byte) (f field, rest []byte, err error) {
	var n int
	f.number, f.kind, n = protowire.ConsumeTag(b)
	if n < 0 {
		return f, nil, fmt.Errorf("a field's number cannot be read: %w", protowire.ParseError(n))
	}
	b = b[n:]
	switch f.kind {
	case protowire.VarintType:
		f.bits, n = protowire.ConsumeVarint(b)
	case protowire.Fixed32Type:
		var x uint32
		x, n = protowire.ConsumeFixed32(b)
		f.bits = uint64(x)
	case protowire.Fixed64Type:
		f.bits, n = protowire.ConsumeFixed64(b)
	case protowire.BytesType:
		f.bytes, n = protowire.ConsumeBytes(b)
	default:
		return f, nil, fmt.Errorf("field %d is a group or of an unknown kind", f.number)
	}
	if n < 0 {
		return f, nil, fmt.Errorf("field %d is cut off or malformed: %w", f.number, protowire.ParseError(n))
	}
	return f, b[n:], nil
}

// Decode reads a payload, also one that is packed into another (see [unpack]).
// The result shares memory with b.
func Decode(b []byte) (Payload, error) {
	p, packed, err := decode(b)
	if err != nil || packed == nil {
		return p, err
	}
	if b, err = unpack(packed, p.Metrics); err != nil {
		return Payload{}, fmt.Errorf("unpack a Sparkplug payload: %w", err)
	}
	if p, packed, err = decode(b); err == nil && packed != nil {
		err = errors.New("read a Sparkplug payload: it is packed twice")
	}
	if err != nil {
		return Payload{}, err
	}
	return p, nil
}

// packedMark is what stands in the field uuid of a payload whose body holds
// another one, compressed.
const packedMark = "SPBV1.0_COMPRESSED"

// unpack takes a payload out of the body of another. The specification says
// nothing of it; this is how the JavaScript client of Eclipse Tahu
// (sparkplug-client 3.2.4) packs: with zlib or, where a metric named algorithm
// says so, gzip.
func unpack(body []byte, metrics []Metric) ([]byte, error) {
	algorithm := "DEFLATE"
	for _, m := range metrics {
		if m.Name == "algorithm" && m.Value.Field == StringField {
			algorithm = strings.ToUpper(m.Value.Text)
		}
	}
	var r io.Reader
	var err error
	switch algorithm {
	case "DEFLATE":
		r, err = zlib.NewReader(bytes.NewReader(body))
	case "GZIP":
		r, err = gzip.NewReader(bytes.NewReader(body))
	default:
		return nil, fmt.Errorf("the algorithm %.20q is not known; DEFLATE and GZIP are", algorithm)
	}
	if err != nil {
		return nil, err
	}
	out, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err == nil && len(out) > MaxBytes {
		err = fmt.Errorf("more than %d bytes", MaxBytes)
	}
	return out, err
}

// decode reads one payload; packed is its body if that is another one.
func decode(b []byte) (_ Payload, packed []byte, err error) {
	if len(b) > MaxBytes {
		return Payload{}, nil, fmt.Errorf("read a Sparkplug payload: %d bytes, above %d", len(b), MaxBytes)
	}
	var p Payload
	marked := false
	body := []byte{}
	for len(b) > 0 {
		f, rest, err := next(b)
		if err != nil {
			return Payload{}, nil, fmt.Errorf("read a Sparkplug payload: %w", err)
		}
		b = rest
		switch {
		case f.number == payloadTime && f.kind == protowire.VarintType:
			p.Time = &f.bits
		case f.number == payloadSeq && f.kind == protowire.VarintType:
			p.Seq = &f.bits
		case f.number == payloadMetrics && f.kind == protowire.BytesType:
			if len(p.Metrics) == MaxMetrics {
				return Payload{}, nil, fmt.Errorf("read a Sparkplug payload: more than %d metrics", MaxMetrics)
			}
			m, err := decodeMetric(f.bytes)
			if err != nil {
				return Payload{}, nil, fmt.Errorf("read metric %d of a Sparkplug payload: %w", len(p.Metrics)+1, err)
			}
			p.Metrics = append(p.Metrics, m)
		case f.number == payloadUUID && f.kind == protowire.BytesType:
			marked = string(f.bytes) == packedMark
		case f.number == payloadBody && f.kind == protowire.BytesType:
			body = f.bytes
		case f.number >= payloadTime && f.number <= payloadSeq:
			return Payload{}, nil, fmt.Errorf("read a Sparkplug payload: field %d is of the wrong kind", f.number)
		}
	}
	if marked {
		return p, body, nil
	}
	return p, nil, nil
}

// metricKinds are the kinds of the fields that are read.
var metricKinds = [metricExtension + 1]protowire.Type{
	metricName: protowire.BytesType, metricProperties: protowire.BytesType, metricString: protowire.BytesType,
	metricBytes: protowire.BytesType, metricDataSet: protowire.BytesType, metricTemplate: protowire.BytesType,
	metricExtension: protowire.BytesType, 8: protowire.BytesType,
	metricFloat: protowire.Fixed32Type, metricDouble: protowire.Fixed64Type, // all others: VarintType, which is 0
}

func decodeMetric(b []byte) (Metric, error) {
	m := Metric{raw: b}
	for len(b) > 0 {
		f, rest, err := next(b)
		if err != nil {
			return m, err
		}
		b = rest
		if f.number > metricExtension {
			continue
		}
		if f.kind != metricKinds[f.number] {
			return m, fmt.Errorf("field %d is of the wrong kind", f.number)
		}
		switch f.number {
		case metricName:
			if len(f.bytes) > MaxName || !utf8.Valid(f.bytes) {
				return m, fmt.Errorf("its name is not UTF-8 or longer than %d bytes", MaxName)
			}
			m.Name = string(f.bytes)
		case metricAlias:
			m.Alias = &f.bits
		case metricTime:
			m.Time = &f.bits
		case metricDatatype:
			m.Datatype = Datatype(uint32(f.bits))
		case metricHistorical:
			m.Historical = f.bits != 0
		case metricTransient:
			m.Transient = f.bits != 0
		case metricNull:
			m.Null = f.bits != 0
		case metricProperties:
			if m.Quality, err = quality(f.bytes); err != nil {
				return m, err
			}
		case metricInt:
			// Some write a negative number as 64 bits; a field of 32 bits keeps
			// the low ones (Protocol Buffers, "Encoding").
			m.Value = Value{Field: IntField, Bits: uint64(uint32(f.bits))}
		case metricLong:
			m.Value = Value{Field: LongField, Bits: f.bits}
		case metricFloat:
			m.Value = Value{Field: FloatField, Real: float64(math.Float32frombits(uint32(f.bits)))}
		case metricDouble:
			m.Value = Value{Field: DoubleField, Real: math.Float64frombits(f.bits)}
		case metricBoolean:
			m.Value = Value{Field: BooleanField, Bits: min(f.bits, 1)}
		case metricString:
			if !utf8.Valid(f.bytes) {
				return m, fmt.Errorf("its text is not UTF-8")
			}
			m.Value = Value{Field: StringField, Text: string(f.bytes)}
		case metricBytes:
			m.Value = Value{Field: BytesField}
		case metricDataSet, metricTemplate, metricExtension:
			m.Value = Value{Field: OtherField}
		}
	}
	m.name, m.datatype = m.Name, m.Datatype
	return m, nil
}

// quality finds the property of this name: keys and values are two lists in
// the same order.
func quality(b []byte) (*int64, error) {
	at, keys := -1, 0
	var values [][]byte
	for len(b) > 0 {
		f, rest, err := next(b)
		if err != nil {
			return nil, fmt.Errorf("its properties: %w", err)
		}
		b = rest
		switch {
		case f.kind != protowire.BytesType:
		case f.number == propertyKeys:
			if string(f.bytes) == "Quality" {
				at = keys
			}
			keys++
		case f.number == propertyValues:
			values = append(values, f.bytes)
		}
		if keys > MaxProperties || len(values) > MaxProperties {
			return nil, fmt.Errorf("more than %d properties", MaxProperties)
		}
	}
	if at < 0 || at >= len(values) {
		return nil, nil
	}
	q := int64(-1) // there, and not a number that is known
	for b = values[at]; len(b) > 0; {
		f, rest, err := next(b)
		if err != nil {
			return nil, fmt.Errorf("its property Quality: %w", err)
		}
		b = rest
		if f.kind == protowire.VarintType && (f.number == propertyInt || f.number == propertyLong) {
			q = int64(f.bits)
		}
	}
	return &q, nil
}
