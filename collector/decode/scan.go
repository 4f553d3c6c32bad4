package decode

import (
	"encoding/json"
	"fmt"
	"strings"
)

// kind is the JSON type of a value.
type kind uint8

const (
	nullValue kind = iota
	boolValue
	numberValue
	textValue
	objectValue
	listValue
)

// value is one scanned JSON value. raw is its span in the payload, which for
// objects and lists is scanned again on demand.
type value struct {
	kind kind
	raw  []byte
	text string // decoded, for textValue only
}

// member is one field of an object, in the order sent.
type member struct {
	name  string
	value value
	how   *how // nil: as native fields are written
}

// scanner walks a JSON text once. It is our own because the standard decoder
// matches names without regard to case and lets the last of two equal names
// win, and because bare NaN and Infinity, which many devices send, must count
// as missing values rather than spoil the message. It allocates only for
// member names and texts, both bounded by the payload.
type scanner struct {
	in       []byte
	at       int
	elements int
	light    int // above 0: values are checked and not kept
}

// scanFault is why scanning stopped.
type scanFault struct {
	reason Reason
	detail string
}

func (s *scanner) fault(r Reason, format string, args ...any) *scanFault {
	return &scanFault{r, fmt.Sprintf(format, args...) + fmt.Sprintf(" at byte %d", s.at)}
}

// scanObject reads a payload that must be one JSON object.
func scanObject(in []byte) ([]member, *scanFault) {
	s := &scanner{in: in}
	s.space()
	if s.at >= len(in) {
		return nil, s.fault(NotJSON, "only blanks, no object")
	}
	if s.in[s.at] != '{' {
		// A complete value of another type gets its own reason; anything else
		// is not JSON at all.
		if _, f := s.value(1); f != nil {
			return nil, f
		}
		return nil, &scanFault{NotObject, "a bare value or a list"}
	}
	members, f := s.object(1)
	if f != nil {
		return nil, f
	}
	s.space()
	if s.at < len(s.in) {
		return nil, s.fault(TrailingData, "more data behind the object")
	}
	return members, nil
}

func (s *scanner) space() {
	for s.at < len(s.in) {
		switch s.in[s.at] {
		case ' ', '\t', '\n', '\r':
			s.at++
		default:
			return
		}
	}
}

// object reads an object at its opening brace.
func (s *scanner) object(depth int) ([]member, *scanFault) {
	var out []member
	f := s.sequence(depth, '}', func() *scanFault {
		if s.at >= len(s.in) || s.in[s.at] != '"' {
			return s.fault(NotJSON, "want a name in double quotes")
		}
		name, f := s.string()
		if f != nil {
			return f
		}
		s.space()
		if s.at >= len(s.in) || s.in[s.at] != ':' {
			return s.fault(NotJSON, "want ':' behind the name")
		}
		s.at++
		s.space()
		v, f := s.value(depth + 1)
		if f != nil {
			return f
		}
		if s.light > 0 {
			return nil
		}
		if out == nil {
			out = make([]member, 0, 8)
		}
		out = append(out, member{name: name, value: v})
		return nil
	})
	return out, f
}

// list reads a list at its opening bracket.
func (s *scanner) list(depth int) ([]value, *scanFault) {
	var out []value
	f := s.sequence(depth, ']', func() *scanFault {
		v, f := s.value(depth + 1)
		if s.light == 0 {
			out = append(out, v)
		}
		return f
	})
	return out, f
}

// sequence reads what objects and lists have in common: opening sign, items
// between commas, closing sign.
func (s *scanner) sequence(depth int, end byte, item func() *scanFault) *scanFault {
	if depth > MaxDepth {
		return s.fault(TooComplex, "nested deeper than %d", MaxDepth)
	}
	s.at++
	s.space()
	if s.at < len(s.in) && s.in[s.at] == end {
		s.at++
		return nil
	}
	for {
		if s.elements++; s.elements > MaxElements {
			return s.fault(TooComplex, "more than %d elements", MaxElements)
		}
		if f := item(); f != nil {
			return f
		}
		s.space()
		if s.at >= len(s.in) {
			return s.fault(NotJSON, "cut off")
		}
		switch s.in[s.at] {
		case ',':
			s.at++
			s.space()
		case end:
			s.at++
			return nil
		default:
			return s.fault(NotJSON, "want ',' or '%c'", end)
		}
	}
}

// value reads any value. Objects and lists are checked and their span is kept.
func (s *scanner) value(depth int) (value, *scanFault) {
	if s.at >= len(s.in) {
		return value{}, s.fault(NotJSON, "cut off")
	}
	start := s.at
	switch c := s.in[s.at]; {
	case c == '{':
		s.light++
		_, f := s.object(depth)
		s.light--
		return value{kind: objectValue, raw: s.in[start:s.at]}, f
	case c == '[':
		s.light++
		_, f := s.list(depth)
		s.light--
		return value{kind: listValue, raw: s.in[start:s.at]}, f
	case c == '"':
		text, f := s.string()
		return value{kind: textValue, raw: s.in[start:s.at], text: text}, f
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	}
	return s.word()
}

// word reads a literal. Tokens that stand for "no number" count as null.
func (s *scanner) word() (value, *scanFault) {
	start := s.at
	for s.at < len(s.in) && isLetter(s.in[s.at]) {
		s.at++
	}
	raw := s.in[start:s.at]
	switch string(raw) {
	case "true", "false":
		return value{kind: boolValue, raw: raw}, nil
	case "null":
		return value{kind: nullValue, raw: raw}, nil
	}
	if noNumber(string(raw)) {
		return value{kind: nullValue, raw: raw}, nil
	}
	s.at = start
	return value{}, s.fault(NotJSON, "want a value")
}

// noNumber says that a word is one of the spellings of NaN and infinity.
func noNumber(word string) bool {
	switch strings.ToLower(word) {
	case "nan", "inf", "infinity":
		return true
	}
	return false
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }
func isDigit(c byte) bool  { return c >= '0' && c <= '9' }

// number reads a number by the grammar of RFC 8259 section 6.
func (s *scanner) number() (value, *scanFault) {
	start := s.at
	digits := func() int {
		n := 0
		for s.at < len(s.in) && isDigit(s.in[s.at]) {
			s.at++
			n++
		}
		return n
	}
	if s.in[s.at] == '-' {
		s.at++
		if s.at < len(s.in) && isLetter(s.in[s.at]) { // -Infinity, -nan
			from := s.at
			for s.at < len(s.in) && isLetter(s.in[s.at]) {
				s.at++
			}
			if noNumber(string(s.in[from:s.at])) {
				return value{kind: nullValue, raw: s.in[start:s.at]}, nil
			}
			s.at = from
			return value{}, s.fault(NotJSON, "want a digit")
		}
	}
	first := s.at
	if n := digits(); n == 0 || n > 1 && s.in[first] == '0' {
		s.at = first
		return value{}, s.fault(NotJSON, "want a number without leading zeros")
	}
	if s.at < len(s.in) && s.in[s.at] == '.' {
		s.at++
		if digits() == 0 {
			return value{}, s.fault(NotJSON, "want a digit behind the point")
		}
	}
	if s.at < len(s.in) && (s.in[s.at] == 'e' || s.in[s.at] == 'E') {
		s.at++
		if s.at < len(s.in) && (s.in[s.at] == '+' || s.in[s.at] == '-') {
			s.at++
		}
		if digits() == 0 {
			return value{}, s.fault(NotJSON, "want a digit in the exponent")
		}
	}
	return value{kind: numberValue, raw: s.in[start:s.at]}, nil
}

// string reads a text at its opening quote.
func (s *scanner) string() (string, *scanFault) {
	start := s.at
	s.at++
	escaped := false
	for s.at < len(s.in) {
		switch c := s.in[s.at]; {
		case c == '"':
			s.at++
			if !escaped && s.light > 0 {
				return "", nil
			}
			if !escaped {
				return string(s.in[start+1 : s.at-1]), nil
			}
			if s.light > 0 {
				if !json.Valid(s.in[start:s.at]) {
					return "", s.fault(NotJSON, "wrong escape in a text that ends")
				}
				return "", nil
			}
			var out string
			if err := json.Unmarshal(s.in[start:s.at], &out); err != nil {
				return "", s.fault(NotJSON, "wrong escape in a text that ends")
			}
			return out, nil
		case c == '\\':
			escaped = true
			s.at += 2
		case c < 0x20:
			return "", s.fault(NotJSON, "control character in a text")
		default:
			s.at++
		}
	}
	s.at = len(s.in)
	return "", s.fault(NotJSON, "text without closing quote")
}
