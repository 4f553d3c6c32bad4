package decode

import (
	"strconv"
	"time"

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
	dev, kept := lookup(reg, id, kind)
	if kept != nil {
		return Decoded{}, kept
	}
	keep := func(r Reason, detail string) (Decoded, *Kept) {
		return Decoded{}, &Kept{Reason: r, Device: id, Detail: detail}
	}
	members, reason, detail := payload(m.Payload)
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
	return s.vet(dev, received, m.Retained)
}

// receivedAt is the receive time of a message, in the journal's resolution.
func receivedAt(m reading.Message, now time.Time) time.Time {
	received := m.Received
	if received.IsZero() {
		received = now
	}
	return received.UTC().Round(time.Millisecond)
}

// payload checks the bytes and scans the object in them.
func payload(in []byte) ([]member, Reason, string) {
	switch {
	case len(in) == 0:
		return nil, Empty, "payload of length 0"
	case len(in) > MaxPayload:
		return nil, Oversize, "payload of " + strconv.Itoa(len(in)) + " bytes"
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
