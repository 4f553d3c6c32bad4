package outbox

import (
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

// field is one of a measurement; types conflict by it.
type field struct{ measurement, name string }

// parts are what a refusal may be about. They are only looked for once
// something was refused.
type parts struct {
	measurement string
	fields      []string
	at          time.Time // zero if the line has none
	// likeness is the series and the fields: lines that share it differ in
	// values and time only.
	likeness string
}

// partsOf takes a line apart; ok is false if it is none.
func partsOf(line []byte) (p parts, ok bool) {
	d := lineprotocol.NewDecoderWithBytes(line)
	if !d.Next() {
		return p, false
	}
	name, err := d.Measurement()
	if err != nil {
		return p, false
	}
	p.measurement = string(name)
	var like strings.Builder
	like.Write(name)
	for {
		key, value, err := d.NextTag()
		if err != nil {
			return p, false
		}
		if key == nil {
			break
		}
		like.WriteByte(0)
		like.Write(key)
		like.WriteByte(0)
		like.Write(value)
	}
	for {
		key, _, err := d.NextField()
		if err != nil {
			return p, false
		}
		if key == nil {
			break
		}
		like.WriteByte(1)
		like.Write(key)
		p.fields = append(p.fields, string(key))
	}
	if p.at, err = d.Time(lineprotocol.Nanosecond, time.Time{}); err != nil {
		return p, false
	}
	p.likeness = like.String()
	return p, true
}
