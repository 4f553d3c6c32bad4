package decode

import (
	"bytes"
	"strconv"
	"unicode/utf8"

	"dwindle/config/mapping"
)

// jsonForm is any JSON. Its names are paths in the one way in which
// [mapping.CanonicalPath] writes them. Containers are items, too: a list of
// words is one value, and an object with one of value, val and v stands for
// that value, with the text in its unit or u as its unit.
var jsonForm = form{
	name: "json",
	recognises: func(_ string, payload []byte) bool {
		payload = bytes.TrimLeft(bytes.TrimPrefix(payload, byteOrderMark), " \t\r\n")
		return len(payload) > 0 && (payload[0] == '{' || payload[0] == '[')
	},
	read: readJSON,
}

// longestPath bounds the names of values, bytes: a mapping cannot name longer
// ones.
const longestPath = 512

func readJSON(in input) ([]item, *Kept) {
	text, kept := textOf(in.payload)
	if kept != nil {
		return nil, kept
	}
	w := &jsonWalk{in: in, path: make([]byte, 0, 64)}
	s := &scanner{in: text}
	for n := 1; ; n++ {
		s.space()
		if s.at >= len(text) {
			if n == 1 {
				return nil, &Kept{Reason: NotJSON, Detail: "only blanks"}
			}
			return w.items, nil
		}
		if n > 1 && !in.ndjson {
			return nil, &Kept{Reason: TrailingData, Detail: "more data behind the value at byte " + strconv.Itoa(s.at)}
		}
		v, fault := s.value(1)
		if fault != nil {
			return nil, &Kept{Reason: fault.reason, Detail: fault.detail}
		}
		if in.ndjson {
			w.part = n
		}
		w.root(v)
	}
}

// jsonWalk collects the values that are wanted.
type jsonWalk struct {
	in    input
	path  []byte
	part  int
	parts int
	items []item
}

// root takes a whole JSON text, or the elements of the list that the mapping
// names as parts of their own.
func (w *jsonWalk) root(v value) {
	if w.in.each == "." && v.kind == listValue {
		w.elements(v)
		return
	}
	w.value(v, 1)
}

// elements takes each element of a list as a part.
func (w *jsonWalk) elements(v value) {
	part, path := w.part, w.path
	for _, e := range elements(v) {
		w.parts++
		w.part, w.path = w.parts, path[:0]
		w.value(e, 2)
	}
	w.part, w.path = part, path
}

// value emits a value and goes down into it.
func (w *jsonWalk) value(v value, depth int) {
	if len(w.path) > longestPath || depth > MaxDepth+1 {
		return
	}
	if w.in.each != "" && w.in.each == string(w.path) && v.kind == listValue {
		w.elements(v)
		return
	}
	switch v.kind {
	case objectValue:
		members := object(v)
		inner, unit := valueIn(members)
		if inner != nil && w.wanted() {
			w.emit(*inner, unit)
		} else if inner == nil {
			w.emit(v, "")
		}
		end := len(w.path)
		for i := range members {
			m := &members[i]
			w.path = mapping.AppendMember(w.path, m.name)
			if inner == &m.value && !nested(m.value) {
				w.emit(m.value, unit)
			} else {
				w.value(m.value, depth+1)
			}
			w.path = w.path[:end]
		}
	case listValue:
		w.emit(v, "")
		end := len(w.path)
		for i, e := range elements(v) {
			w.path = mapping.AppendElement(w.path, i)
			w.value(e, depth+1)
			w.path = w.path[:end]
		}
	default:
		w.emit(v, "")
	}
}

func nested(v value) bool { return v.kind == objectValue || v.kind == listValue }

// valueIn finds what an object stands for: its only one of value, val and v,
// and the unit beside it.
func valueIn(members []member) (inner *value, unit string) {
	for i := range members {
		switch m := &members[i]; m.name {
		case "value", "val", "v":
			if inner != nil {
				return nil, ""
			}
			inner = &m.value
		case "unit", "u":
			if m.value.kind == textValue {
				unit = m.value.text
			}
		}
	}
	return inner, unit
}

// wanted says that the mapping may take what stands here.
func (w *jsonWalk) wanted() bool { return w.in.wants == nil || w.in.wants(w.path) }

func (w *jsonWalk) emit(v value, unit string) {
	if !w.wanted() && (nested(v) || !w.others()) {
		return
	}
	w.items = append(w.items, item{name: string(w.path), value: v, unit: unit, part: w.part})
}

// others says whether there is room for the name of one more value that is
// not wanted: they are told where nothing is taken.
func (w *jsonWalk) others() bool { return len(w.items) < 64 }

var byteOrderMark = []byte{0xEF, 0xBB, 0xBF}

// cleanText checks that bytes are text and takes off what some senders put
// around it: a byte order mark (RFC 8259 section 8.1 allows to ignore it),
// zero bytes of a buffer that was not full.
func cleanText(in []byte) ([]byte, Reason, string) {
	in = bytes.TrimPrefix(in, byteOrderMark)
	switch {
	case len(in) == 0:
		return nil, Empty, "nothing but a byte order mark"
	case bytes.HasPrefix(in, []byte{0xFF, 0xFE}), bytes.HasPrefix(in, []byte{0xFE, 0xFF}), len(in) > 3 && (in[0] == 0) != (in[1] == 0) && (in[2] == 0) != (in[3] == 0):
		return nil, NotUTF8, "looks like UTF-16"
	}
	in = bytes.TrimRight(in, "\x00")
	switch {
	case len(in) == 0:
		return nil, Empty, "nothing but zero bytes"
	case !utf8.Valid(in):
		return nil, NotUTF8, "begins with bytes " + strconv.QuoteToASCII(clip(string(in[:min(len(in), 16)])))
	}
	return in, NoReason, ""
}
