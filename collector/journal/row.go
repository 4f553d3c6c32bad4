package journal

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
)

// row is a reading as stored.
type row struct {
	value any // int64 or float64
	lag   int64
	flags int64
}

// encode gives the smallest exact form of a reading: whole numbers take 1 to 8
// bytes as integers, always 8 as floats.
func encode(r *reading.Reading) row {
	out := row{lag: r.Received.UnixMilli() - r.At.UnixMilli(), flags: int64(r.Flags &^ reading.ReceiveTime)}
	if !r.FromDevice {
		out.flags |= int64(reading.ReceiveTime)
	}
	switch whole := math.Trunc(r.Value); {
	case r.Quantity.Exact():
		out.value = r.Count
	case r.Value == whole && math.Abs(whole) < 1<<53 && !(whole == 0 && math.Signbit(whole)):
		out.value = int64(whole)
	default:
		out.value = r.Value
	}
	return out
}

// decode is the reverse of encode.
func decode(ch reading.Channel, at int64, o row) reading.Reading {
	r := reading.Reading{
		Channel: ch, At: time.UnixMilli(at).UTC(), Received: time.UnixMilli(at + o.lag).UTC(),
		Flags: reading.Flags(o.flags), FromDevice: reading.Flags(o.flags)&reading.ReceiveTime == 0,
	}
	switch v := o.value.(type) {
	case int64:
		r.Value = float64(v)
		if ch.Quantity.Exact() {
			r.Count = v
		}
	case float64:
		r.Value = v
	}
	return r
}

// describe gives a reading as JSON, for the kept-aside ring.
func describe(r *reading.Reading) []byte {
	v := any(r.Value)
	if r.Quantity.Exact() {
		v = r.Count
	}
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		v = fmt.Sprint(r.Value)
	}
	text, err := json.Marshal(map[string]any{
		"device": r.Device, "quantity": r.Quantity, "at": r.At.UTC().Format(time.RFC3339Nano), "value": v, "id": r.Key,
		"received": r.Received.UTC().Format(time.RFC3339Nano),
	})
	if err != nil {
		return []byte(fmt.Sprintf("%s %v", r.Quantity, v)) // unreachable: all of it can be written
	}
	return text
}
