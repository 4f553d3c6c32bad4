package wire

import (
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// AppendMetric writes a metric that was made here, or one that was received
// with its name and datatype filled in and all else as it came.
func AppendMetric(b []byte, m Metric) []byte {
	inner := m.raw
	if len(m.raw) > 0 {
		// The last of two equal fields holds (Protocol Buffers, "Encoding").
		inner = inner[:len(inner):len(inner)]
		if m.Name != m.name {
			inner = protowire.AppendTag(inner, metricName, protowire.BytesType)
			inner = protowire.AppendString(inner, m.Name)
		}
		if m.Datatype != m.datatype {
			inner = appendVarint(inner, metricDatatype, uint64(m.Datatype))
		}
	} else {
		inner = made(m)
	}
	b = protowire.AppendTag(b, payloadMetrics, protowire.BytesType)
	return protowire.AppendBytes(b, inner)
}

func made(m Metric) []byte {
	var b []byte
	if m.Name != "" {
		b = protowire.AppendTag(b, metricName, protowire.BytesType)
		b = protowire.AppendString(b, m.Name)
	}
	if m.Alias != nil {
		b = appendVarint(b, metricAlias, *m.Alias)
	}
	if m.Time != nil {
		b = appendVarint(b, metricTime, *m.Time)
	}
	if m.Datatype != NoDatatype {
		b = appendVarint(b, metricDatatype, uint64(m.Datatype))
	}
	for i, on := range []bool{m.Historical, m.Transient, m.Null} {
		if on {
			b = appendVarint(b, metricHistorical+protowire.Number(i), 1)
		}
	}
	switch m.Value.Field {
	case IntField:
		b = appendVarint(b, metricInt, uint64(uint32(m.Value.Bits)))
	case LongField:
		b = appendVarint(b, metricLong, m.Value.Bits)
	case FloatField:
		b = protowire.AppendTag(b, metricFloat, protowire.Fixed32Type)
		b = protowire.AppendFixed32(b, math.Float32bits(float32(m.Value.Real)))
	case DoubleField:
		b = protowire.AppendTag(b, metricDouble, protowire.Fixed64Type)
		b = protowire.AppendFixed64(b, math.Float64bits(m.Value.Real))
	case BooleanField:
		b = appendVarint(b, metricBoolean, m.Value.Bits)
	case StringField:
		b = protowire.AppendTag(b, metricString, protowire.BytesType)
		b = protowire.AppendString(b, m.Value.Text)
	}
	return b
}

// AppendHead writes a payload's time and sequence number.
func AppendHead(b []byte, p Payload) []byte {
	if p.Time != nil {
		b = appendVarint(b, payloadTime, *p.Time)
	}
	if p.Seq != nil {
		b = appendVarint(b, payloadSeq, *p.Seq)
	}
	return b
}

// Encode writes a whole payload.
func Encode(p Payload) []byte {
	b := AppendHead(nil, p)
	for _, m := range p.Metrics {
		b = AppendMetric(b, m)
	}
	return b
}

func appendVarint(b []byte, number protowire.Number, x uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, number, protowire.VarintType), x)
}
