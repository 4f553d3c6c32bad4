package decode

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"
	"unicode/utf8"
)

// What the forms have in common.

// textOf checks that a payload is a text in UTF-8.
func textOf(payload []byte) ([]byte, *Kept) {
	text, reason, detail := cleanText(payload)
	if reason != NoReason {
		return nil, &Kept{Reason: reason, Detail: detail}
	}
	return text, nil
}

// scanText checks a text that must be one JSON value and nothing behind it.
func scanText(in []byte) (value, *Kept) {
	s := &scanner{in: in}
	s.space()
	v, fault := s.value(1)
	if fault == nil {
		s.space()
		if s.at < len(s.in) {
			fault = s.fault(TrailingData, "more data behind the value")
		}
	}
	if fault != nil {
		return value{}, &Kept{Reason: fault.reason, Detail: fault.detail}
	}
	return v, nil
}

// firstObject goes to the brace at which the first object of a payload begins,
// for a look at its members; listed says that it is the first element of a list.
func firstObject(payload []byte) (s *scanner, listed, ok bool) {
	s = &scanner{in: bytes.TrimPrefix(payload, byteOrderMark)}
	s.space()
	if s.at < len(s.in) && s.in[s.at] == '[' {
		listed = true
		s.at++
		s.space()
	}
	return s, listed, s.at < len(s.in) && s.in[s.at] == '{'
}

// members of an object, by exact name.
type members []member

// object scans an object again for its members.
func object(v value) members {
	s := &scanner{in: v.raw}
	out, _ := s.object(1) // was checked when the payload was scanned
	return out
}

// elements scans a list again for its elements.
func elements(v value) []value {
	s := &scanner{in: v.raw}
	out, _ := s.list(1) // was checked when the payload was scanned
	return out
}

// get finds a member; one sent twice is a fault. One of null counts as not
// there.
func (m members) get(name string) (*value, *Kept) {
	var found *value
	for i := range m {
		if m[i].name != name {
			continue
		}
		if found != nil {
			return nil, &Kept{Reason: DuplicateKey, Detail: name + ": sent twice"}
		}
		found = &m[i].value
	}
	if found != nil && found.kind == nullValue {
		found = nil
	}
	return found, nil
}

// text finds a member that is text; empty: it is not there.
func (m members) text(name string) (string, *Kept) {
	v, kept := m.get(name)
	if v == nil {
		return "", kept
	}
	if v.kind != textValue {
		return "", &Kept{Reason: NotText, Detail: name + ": text is expected"}
	}
	return v.text, nil
}

// timeIn reads a time that the form wants in RFC 3339.
func timeIn(v *value, name string, received time.Time) (*moment, *Kept) {
	when, ok := momentOf(v, received)
	if v.kind != textValue || !ok {
		return nil, &Kept{Reason: BadTime, Detail: name + ": " + strconv.Quote(clip(string(v.raw))) + " is no time of RFC 3339"}
	}
	return &when, nil
}

// keyOf makes the key of what happened from two ids that are unique together.
// A blank can be in neither (they are URIs, numbers and the like), and what is
// too long for a key becomes a digest.
func keyOf(source, id string) string {
	key := source + " " + id
	if len(key) <= MaxText && utf8.ValidString(key) {
		return key
	}
	sum := sha256.Sum256([]byte(key))
	return "sha256:" + hex.EncodeToString(sum[:16])
}

// boolean makes a value of two states.
func boolean(on bool) value {
	if on {
		return value{kind: boolValue, raw: []byte("true")}
	}
	return value{kind: boolValue, raw: []byte("false")}
}

func clipQuote(text []byte) string {
	return strconv.QuoteToASCII(clip(string(text[:min(len(text), 64)])))
}

// jsonItems takes apart a JSON value that stands inside another form; its own
// path is path. The value was scanned before.
func jsonItems(in input, v value, path string) []item {
	w := &jsonWalk{in: in, path: append(make([]byte, 0, 64), path...)}
	w.in.each = "" // means the whole payload
	w.value(v, 1)
	return w.items
}
