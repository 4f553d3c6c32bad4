package decode

import (
	"bytes"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dwindle/collector/reading"
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
	id, kind, kept := route(m.Topic, prefix, site)
	if kept != nil {
		return Decoded{}, kept
	}
	dev, known := reg.Lookup(id)
	if !known {
		return Decoded{}, &Kept{Reason: UnknownDevice, Device: id, Unknown: id, Detail: "device " + strconv.Quote(id) + " is not in the register"}
	}
	keep := func(r Reason, detail string) (Decoded, *Kept) {
		return Decoded{}, &Kept{Reason: r, Device: id, Detail: detail}
	}
	if !allowed(dev.Role, kind) {
		return keep(WrongDevice, string(kind)+" from a "+dev.Role.String())
	}
	members, reason, detail := payload(m.Payload)
	if reason != NoReason {
		return keep(reason, detail)
	}

	received := m.Received
	if received.IsZero() {
		received = now
	}
	received = received.UTC().Round(time.Millisecond)
	f := &fields{members: members}
	when, ok := momentOf(f.find("at"), received)
	if !ok {
		v := f.find("at")
		return keep(BadTime, "at: "+strconv.Quote(clip(string(v.raw)))+" is no time in a form that is read")
	}
	t := &taker{fields: f, device: id, dev: dev, received: received, when: when, retained: m.Retained}
	switch kind {
	case reading.Run:
		t.run()
	case reading.Pulse:
		t.pulse()
	case reading.Dose:
		t.dose()
	case reading.Level:
		t.level()
	case reading.Status:
		t.status()
	case reading.Change:
		t.change()
	}
	if f.fault != nil {
		f.fault.Device = id
		return Decoded{}, f.fault
	}
	if len(t.readings) == 0 && len(t.facts) == 0 {
		detail := "none of the fields of " + string(kind)
		if len(f.missing) > 0 {
			detail = "no value in " + strings.Join(f.missing, ", ")
		}
		return keep(NoValue, detail)
	}
	d := Decoded{Device: id, Kind: kind, Readings: t.readings, Facts: t.facts,
		Coerced: f.coerced, Missing: f.missing, RawAt: when.raw, Hint: when.hint}
	if m.Retained && !when.fromDevice {
		d.StateOnly, d.Readings, d.Facts = true, nil, nil
	}
	return d, nil
}

// payload checks the bytes and scans the object in them.
func payload(in []byte) ([]member, Reason, string) {
	switch {
	case len(in) == 0:
		return nil, Empty, "payload of length 0"
	case len(in) > MaxPayload:
		return nil, Oversize, "payload of " + strconv.Itoa(len(in)) + " bytes"
	}
	// A byte order mark may be ignored, RFC 8259 section 8.1.
	in = bytes.TrimPrefix(in, []byte{0xEF, 0xBB, 0xBF})
	switch {
	case len(in) == 0:
		return nil, Empty, "nothing but a byte order mark"
	case bytes.HasPrefix(in, []byte{0xFF, 0xFE}), bytes.HasPrefix(in, []byte{0xFE, 0xFF}), len(in) > 1 && (in[0] == 0 || in[1] == 0):
		return nil, NotUTF8, "looks like UTF-16"
	case !utf8.Valid(in):
		return nil, NotUTF8, "begins with bytes " + strconv.QuoteToASCII(clip(string(in[:min(len(in), 16)])))
	}
	members, fault := scanObject(in)
	if fault != nil {
		return nil, fault.reason, fault.detail
	}
	return members, NoReason, ""
}
