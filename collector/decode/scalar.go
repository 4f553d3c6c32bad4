package decode

import (
	"bytes"
	"strings"
	"unicode"
)

// scalarForm is one bare value: a number, a word for true or false, a text, a
// number with its unit. Its item has no name.
var scalarForm = form{
	name:       "scalar",
	recognises: func(string, []byte) bool { return true }, // tried last
	read: func(in input) ([]item, *Kept) {
		text, kept := textOf(in.payload)
		if kept != nil {
			return nil, kept
		}
		v := scalarValue(text)
		if v.kind == textValue && v.text == "" {
			return nil, &Kept{Reason: Empty, Detail: "only blanks"}
		}
		if len(v.text) > MaxText {
			return nil, &Kept{Reason: NotText, Detail: "a bare value is at most 128 bytes; it begins with " + clip(v.text)}
		}
		return []item{{value: v}}, nil
	},
}

// scalarValue reads a text that is one value: as JSON where it is JSON, else as
// text without quotes.
func scalarValue(text []byte) value {
	text = bytes.TrimFunc(text, blank)
	s := &scanner{in: text}
	if v, fault := s.value(1); fault == nil && s.at == len(text) && !nested(v) {
		if v.kind == textValue {
			v.text = strings.TrimFunc(v.text, blank)
		}
		return v
	}
	return value{kind: textValue, raw: text, text: string(text)}
}

// blank says that a character around a value means nothing: blanks of any
// width, control characters, zero bytes, marks of byte order and joining.
func blank(r rune) bool {
	return unicode.IsSpace(r) || unicode.IsControl(r) || r == '\uFEFF' || r >= '\u200B' && r <= '\u200D' || r == '\u2060'
}
