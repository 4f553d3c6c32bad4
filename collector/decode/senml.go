package decode

import (
	"math"
	"slices"
	"strings"
	"time"
)

// SenML packs in JSON: C. Jennings, Z. Shelby, J. Arkko, A. Keranen,
// C. Bormann, "Sensor Measurement Lists (SenML)", RFC 8428, 2018; versions as
// sets of features: C. Bormann, "Sensor Measurement Lists (SenML) Features and
// Versions", RFC 9100, 2021; secondary units: C. Bormann, "Additional Units for
// Sensor Measurement Lists (SenML)", RFC 8798, 2020.
//
// A pack is a list of records. Base fields hold from their record on, so the
// records are resolved first: each then has a full name, a unit, a time and a
// value of its own, and they stand in the order of time. A record is an item
// under its full name. Where it has a sum, the integral of the value over time,
// that is a second item, named with "#s" behind it (the sign cannot be in a
// SenML name), in the unit of the integral.
//
// What goes beyond the texts, in favour of those who send: secondary units are
// taken without their feature being announced, since their names cannot be
// mistaken; a number sent as text and a value of null or NaN are left to the
// vetting, which counts them as coerced or missing.

var senmlForm = form{name: "senml", recognises: likeSenML, read: readSenML}

// Labels of RFC 8428 section 4.3, table 1.
const (
	senmlBaseName = iota
	senmlBaseTime
	senmlBaseUnit
	senmlBaseValue
	senmlBaseSum
	senmlBaseVersion
	senmlName
	senmlUnit
	senmlValue
	senmlText
	senmlBool
	senmlData
	senmlSum
	senmlTime
	senmlUpdate
	senmlLabels // how many there are
)

var senmlLabel = [senmlLabels]string{"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}

const (
	// From here on a time is a Unix time, below it is relative to now: RFC 8428
	// section 4.5.3.
	senmlAbsolute = 1 << 28
	// The version that RFC 8428 defines; by RFC 9100 section 3 its bits stand
	// for the features that every pack has and may not lack.
	senmlVersion = 10
	// The features that are known here: those of version 10, and secondary
	// units, code 4 (RFC 9100 section 4).
	senmlFeatures = senmlVersion | 1<<4
	// A sign that no SenML name may contain (RFC 8428 section 4.5.1).
	senmlSumMark = "#s"
)

// senmlRecord is a resolved record (RFC 8428 section 4.6).
type senmlRecord struct {
	name string
	unit string
	// t is the time of the record, Unix s. Where it was relative, now is in it.
	t        float64
	relative bool
	offset   float64 // from now, s, of a relative time
	label    int     // which of v, vs, vb, vd it has, or senmlLabels: none
	value    value
	sum      string // as a JSON number; empty: none
	update   float64
}

// likeSenML looks at the first record: a name is what tells a pack from other
// lists of objects.
func likeSenML(_ string, payload []byte) bool {
	s, listed, ok := firstObject(payload)
	if !ok || !listed {
		return false
	}
	members, fault := s.object(2)
	if fault != nil {
		return false
	}
	named := false
	for _, m := range members {
		switch {
		case m.name == senmlLabel[senmlBaseName], m.name == senmlLabel[senmlName]:
			named = m.value.kind == textValue
		case slices.Contains(senmlLabel[:], m.name), strings.HasSuffix(m.name, "_"):
		default:
			return false
		}
	}
	return named
}

func readSenML(in input) ([]item, *Kept) {
	records, kept := resolveSenML(in.payload, in.received)
	if kept != nil {
		return nil, kept
	}
	items := make([]item, 0, len(records))
	for i, r := range records {
		out := item{name: r.name, value: r.value, unit: senmlUnitName(r.unit), everyS: r.update}
		if i > 0 && records[i-1].t == r.t && records[i-1].relative == r.relative {
			out.when = items[len(items)-1].when // packs are mostly of one time
		} else {
			out.when = r.moment(in.received)
		}
		if r.label != senmlLabels {
			if r.label != senmlValue {
				out.unit = "" // of numbers only: a base unit falls on the others too
			}
			items = append(items, out)
		}
		if r.sum != "" {
			out.name += senmlSumMark
			out.value = value{kind: numberValue, raw: []byte(r.sum)}
			out.unit = senmlSumUnit(r.unit)
			items = append(items, out)
		}
	}
	return items, nil
}

// moment is the record's time against the receive time. A time relative to now
// is as good as the receive time is, and no better: it is none that came from
// the device.
func (r senmlRecord) moment(received time.Time) *moment {
	switch {
	case r.relative && r.offset == 0:
		return nil
	case r.relative && r.offset > 0:
		return &moment{at: received, raw: short(r.offset), hint: "the time lies " + short(r.offset) + " s in the future (in SenML a time below 2^28 is relative to now, so that an uptime must not be sent as time); the receive time was used"}
	case r.t >= 1e11:
		return &moment{at: received, raw: short(r.t), hint: "the time is not in seconds, as SenML wants it; the receive time was used"}
	}
	m := clocked(time.UnixMilli(int64(math.Round(r.t*1e3))), short(r.t), received)
	if r.relative {
		m.fromDevice = false
	}
	return &m
}

// senmlUnitName gives the unit under the name that the mapping knows. Names
// that are the same in both, and those it does not know, stay as they are.
//
// "%" is not percent in SenML but the ratio 0 to 1, the same as "/" (RFC 8428
// section 12.1, note 1; RFC 8798 section 3, note 1); percent is "/100".
func senmlUnitName(unit string) string {
	switch unit {
	case "%":
		return "/"
	case "%EL", "%RH":
		return "/100"
	}
	return unit
}

// senmlSumUnit is the unit of an integral over time: the record's unit times
// the second (RFC 8428 section 4.2), by its own name where it has one. The
// integral of a state of 0 or 1 is the time for which it was 1.
func senmlSumUnit(unit string) string {
	switch unit {
	case "/", "%":
		return "s"
	case "m3/s":
		return "m3"
	case "l/s":
		return "l"
	case "1/s":
		return "count"
	case "":
		return ""
	}
	return unit + "*s"
}
