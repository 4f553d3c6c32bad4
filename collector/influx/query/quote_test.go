package query

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
)

// texts are such as somebody could give a device as its name.
var texts = []string{
	"", "d-1", "pump 7", `a"b`, `a\b`, `a\`, `\"`, `\\"`, `"`, `") |> drop(columns: ["_value"])`, "${x}", "$${x}", `\${x}`, `$\${x}`, "$", "${", "$$", "a$",
	"a\nb", "a\r\nb", "a\rb", "\x00", "\x01\x7f", "\t", "//", "/* */", "r.device", "Öl+", "発電機", "👩\u200d🔧", "\u202e", "\u2028", "\ufeff", "\U0010ffff", "`", "'", "#",
	"true", "\\x41", `\n`, `\u0041`, "{", "}", "{}", strings.Repeat("x", 1000),
}

func TestQuote(t *testing.T) {
	for text, want := range map[string]string{
		"d-1":     `"d-1"`,
		`a"b\c`:   `"a\"b\\c"`,
		"${x}":    `"\x24{x}"`,
		"a\r\n":   `"a\x0d\x0a"`,
		"Öl\x7f":  `"Öl\x7f"`,
		"a\xffb":  `"a` + "\ufffd" + `b"`,
		"\u2028$": "\"\u2028\\x24\"",
	} {
		require.Equal(t, want, Quote(text))
	}
}

// unquote reads a literal by the rules of Flux; ok is false where there is
// anything beside the literal, or in it that means more than a text.
func unquote(s string) (text string, ok bool) {
	if len(s) < 2 || s[0] != '"' || s[len(s)-1] != '"' || !utf8.ValidString(s) {
		return "", false
	}
	var b strings.Builder
	for s = s[1 : len(s)-1]; s != ""; {
		switch c := s[0]; {
		case c == '"' || c == '$' || c < ' ' || c == 0x7f:
			return "", false
		case c != '\\':
			b.WriteByte(c)
			s = s[1:]
		case len(s) >= 2 && (s[1] == '"' || s[1] == '\\'):
			b.WriteByte(s[1])
			s = s[2:]
		case len(s) >= 4 && s[1] == 'x':
			n, err := strconv.ParseUint(s[2:4], 16, 8)
			if err != nil {
				return "", false
			}
			b.WriteByte(byte(n))
			s = s[4:]
		default:
			return "", false
		}
	}
	return b.String(), true
}

func FuzzQuote(f *testing.F) {
	for _, text := range texts {
		f.Add(text)
	}
	f.Add("a\xff\xc3")
	f.Fuzz(func(t *testing.T, text string) {
		back, ok := unquote(Quote(text))
		require.True(t, ok, "%q", Quote(text))
		require.Equal(t, replaced(strings.ToValidUTF8(text, "\ufffd")), replaced(back))
	})
}

// replaced makes one mark of several, as strings.ToValidUTF8 does.
func replaced(s string) string {
	for strings.Contains(s, "\ufffd\ufffd") {
		s = strings.ReplaceAll(s, "\ufffd\ufffd", "\ufffd")
	}
	return s
}

// What the server makes of a literal must be the text. It says so itself, byte
// by byte: its CSV does not keep all line ends.
func TestTheServerReadsWhatWasQuoted(t *testing.T) {
	srv := influxtest.Start(t)
	var rows []string
	for i, text := range texts {
		var hex strings.Builder
		for _, c := range []byte(text) {
			fmt.Fprintf(&hex, `\x%02x`, c) // each byte by its number
		}
		rows = append(rows, fmt.Sprintf(`{i: %d, same: %s == "%s", length: strings.strlen(v: %s)}`, i, Quote(text), hex.String(), Quote(text)))
	}
	got := srv.Query(t, "import \"array\"\nimport \"strings\"\narray.from(rows: ["+strings.Join(rows, ",\n")+"])")
	require.Len(t, got, len(texts))
	for i, text := range texts {
		require.Equal(t, "true", got[i]["same"], "%q", text)
		require.Equal(t, strconv.Itoa(utf8.RuneCountInString(text)), got[i]["length"], "%q", text)
	}
}
