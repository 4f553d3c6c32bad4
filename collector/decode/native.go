package decode

import (
	"strconv"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
	"dwindle/config/unit"
)

// Native decodes one message of the native topic tree
// <prefix>/<site>/<device>/<kind>. Exactly one of the results is meaningful:
// where Kept is not nil, Decoded is empty.
//
// m.Received is taken as it is (a replayed message keeps its own receive
// time); now is used only where it is zero.
//
// Readings carry the value in the unit of the field. Grams are taken as sent:
// the contract's "grams left", tare taken off by the sender; density and tare
// must be known all the same, because without them nobody can say what a
// weight means.
func Native(m reading.Message, prefix, site string, reg Register, now time.Time) (Decoded, *Kept) {
	return native(m, prefix, site, reg, now, nil)
}

func native(m reading.Message, prefix, site string, reg Register, now time.Time, tell func(Step)) (Decoded, *Kept) {
	id, kind, kept := route(m.Topic, prefix, site)
	if kept != nil {
		return Decoded{}, kept
	}
	dev, kept := lookup(reg, id, kind)
	if kept != nil {
		return Decoded{}, kept
	}
	keep := func(r Reason, detail string) (Decoded, *Kept) {
		return Decoded{}, &Kept{Reason: r, Device: id, Detail: detail}
	}
	members, reason, detail := payload(m.Payload)
	bare := false
	if reason == NotJSON || reason == NotObject {
		if one, ok := bareField(m.Payload, kind); ok {
			members, reason, bare = []member{one}, NoReason, true
		}
	}
	if reason != NoReason {
		return keep(reason, detail)
	}
	received := receivedAt(m, now)
	s := sample{device: id, kind: kind, fields: &fields{members: members}}
	at := s.fields.find("at")
	when, ok := momentOf(at, received)
	if !ok {
		return keep(BadTime, "at: "+strconv.Quote(clip(string(at.raw)))+" is no time in a form that is read")
	}
	s.when = when
	if tell != nil {
		tellNative(tell, &s, bare)
	}
	d, kept := s.vet(dev, received, m.Retained)
	if bare && kept == nil {
		d.Coerced = 1
	}
	return d, kept
}

// tellNative tells the fields of the kind that a native message holds.
func tellNative(tell func(Step), s *sample, bare bool) {
	from := ""
	if s.when.fromDevice {
		from = "at"
	}
	for i := range s.fields.members {
		m := &s.fields.members[i]
		if f, ok := mapping.FieldNamed(string(s.kind) + "." + strings.ToLower(m.name)); ok {
			step := Step{Device: s.device, Field: f.Name, From: m.name, Sent: clip(string(m.value.raw)), Time: from, Missing: emptiness(&m.value)}
			if bare {
				step.From = ""
			}
			tell(step)
		}
	}
}

// bareField says which field a payload without an object around it means, where
// only one can be meant: a whole number on pulse is the count, true or false on
// run is running, online or offline on status is online, and a number with its
// unit is the field of the kind that takes such a unit. A bare number on run
// could be hours or seconds, on level four things: that takes a mapping.
func bareField(payload []byte, kind reading.Kind) (member, bool) {
	text, reason, _ := cleanText(payload)
	if reason != NoReason || len(text) > 4*longestNumber {
		return member{}, false
	}
	v := scalarValue(text)
	switch {
	case v.kind == boolValue && kind == reading.Run:
		return member{name: "running", value: v}, true
	case v.kind == numberValue && kind == reading.Pulse:
		return member{name: "count", value: v}, true
	case v.kind != textValue:
		return member{}, false
	}
	switch word := strings.ToLower(ordinary(v.text)); word {
	case "online", "offline":
		return member{name: "online", value: v}, kind == reading.Status
	case "true", "false", "on", "off", "running", "stopped":
		return member{name: "running", value: v}, kind == reading.Run
	}
	q, err := readNumber(v.text, "", "")
	if err != nil {
		return member{}, false
	}
	if q.symbol == "" {
		return member{name: "count", value: v}, kind == reading.Pulse
	}
	u, _ := mapping.FindUnit(q.symbol)
	name := ""
	switch {
	case kind == reading.Run && u.Dimension == unit.Time:
		name = "hours"
	case kind == reading.Dose && u.Dimension == unit.Volume, kind == reading.Level && u.Dimension == unit.Volume:
		name = "cm3"
	case kind == reading.Level && u.Dimension == unit.Ratio:
		name = "percent"
	case kind == reading.Level && u.Dimension == unit.Mass:
		name = "grams"
	case kind == reading.Status && u.Dimension == unit.Temperature:
		name = "temperature_c"
	case kind == reading.Status && u.Dimension == unit.Pressure:
		name = "pressure_bar"
	case kind == reading.Status && u.Dimension == unit.Voltage:
		name = "supply_v"
	case kind == reading.Change && u.Dimension == unit.Volume:
		name = "volume_cm3"
	}
	return member{name: name, value: v}, name != ""
}

// receivedAt is the receive time of a message, in the journal's resolution.
func receivedAt(m reading.Message, now time.Time) time.Time {
	received := m.Received
	if received.IsZero() {
		received = now
	}
	return received.UTC().Round(time.Millisecond)
}

// sized checks that a payload is there and not too long.
func sized(in []byte) (Reason, string) {
	switch {
	case len(in) == 0:
		return Empty, "payload of length 0"
	case len(in) > MaxPayload:
		return Oversize, "payload of " + strconv.Itoa(len(in)) + " bytes"
	}
	return NoReason, ""
}

// payload checks the bytes and scans the object in them.
func payload(in []byte) ([]member, Reason, string) {
	if reason, detail := sized(in); reason != NoReason {
		return nil, reason, detail
	}
	in, reason, detail := cleanText(in)
	if reason != NoReason {
		return nil, reason, detail
	}
	members, fault := scanObject(in)
	if fault != nil {
		return nil, fault.reason, fault.detail
	}
	return members, NoReason, ""
}
