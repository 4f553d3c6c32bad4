package query

import (
	"strings"
	"time"
	"unicode/utf8"
)

// Quote makes a string literal of Flux of any text (Flux Language
// Specification, "String literals"): quotes and backslashes are escaped, control
// characters and dollars are written as bytes, so that none begins an
// interpolation. (The server does not read "$\${" as it is specified, 2.8.0.)
// Bytes that are no UTF-8 cannot stand in a literal, nor in the server, and
// become U+FFFD.
func Quote(s string) string {
	var b strings.Builder
	b.Grow(len(s) + 2)
	b.WriteByte('"')
	for i := 0; i < len(s); {
		c := s[i]
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < ' ' || c == 0x7f || c == '$':
			b.WriteString(`\x`)
			b.WriteByte(hex[c>>4])
			b.WriteByte(hex[c&15])
		case c < utf8.RuneSelf:
			b.WriteByte(c)
		default:
			r, n := utf8.DecodeRuneInString(s[i:])
			b.WriteRune(r)
			i += n
			continue
		}
		i++
	}
	b.WriteByte('"')
	return b.String()
}

const hex = "0123456789abcdef"

// instant makes a time literal of Flux.
func instant(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// anyOf makes a condition that a column has one of some values.
func anyOf[T ~string](column string, values []T) string {
	return either(values, func(v T) string { return "r." + column + " == " + Quote(string(v)) })
}

// either makes a condition of at least one: as a tree, since the server takes a
// chain of a hundred for nested too deep.
func either[T any](list []T, of func(T) string) string {
	if n := len(list); n > 1 {
		return "(" + either(list[:n/2], of) + " or " + either(list[n/2:], of) + ")"
	}
	return of(list[0])
}
