// Package export writes tables for other tools: CSV and JSON Lines, one row at
// a time, in constant memory.
//
// CSV follows RFC 4180 in its form for machines: UTF-8 without a byte order
// mark, comma, CRLF, a header line with units in the names, ISO 8601 times in
// UTC. Text is never altered, so a spreadsheet may take a cell that begins with
// "=" for a formula: open the file as data, not by double click. JSON Lines has
// one object a line with the same names; a value that does not exist is an empty
// cell in CSV and null in JSON.
//
// The package imports the reading nouns and dates, not the forecast room.
// Start with [New] for rows of a struct type, [NewTable] for any columns.
package export

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dwindle/config/civil"
)

// Format is how a table is written.
type Format string

// The formats.
const (
	CSV       Format = "csv"
	JSONLines Format = "jsonl"
)

// ParseFormat reads a format's name.
func ParseFormat(text string) (Format, error) {
	switch f := Format(strings.ToLower(text)); f {
	case CSV, JSONLines:
		return f, nil
	}
	return "", fmt.Errorf("format %q: want csv or jsonl", text)
}

// Table writes rows of fixed columns. It is not safe for concurrent use. Errors
// stick: after one, every call returns it.
type Table struct {
	w       *bufio.Writer
	format  Format
	columns []string
	line    []byte
	err     error
	derived bool // figures are computed, not read: see number
}

// NewTable begins a table: the header, in CSV.
func NewTable(w io.Writer, format Format, columns ...string) *Table {
	t := &Table{w: bufio.NewWriterSize(w, 64<<10), format: format, columns: columns}
	if format == CSV {
		for i, c := range columns {
			if i > 0 {
				t.line = append(t.line, ',')
			}
			t.line = appendCell(t.line, c)
		}
		t.end()
	}
	return t
}

// Row writes one row, a value per column in order: string, bool, any number,
// [time.Time], [civil.Date], a pointer to one of these (nil: no value), or a
// slice of strings (joined by a space in CSV).
func (t *Table) Row(values ...any) error {
	if t.err != nil {
		return t.err
	}
	if len(values) != len(t.columns) {
		t.err = fmt.Errorf("export: row of %d values for %d columns", len(values), len(t.columns))
		return t.err
	}
	if t.format == JSONLines {
		return t.object(values)
	}
	for i, v := range values {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		s, _, ok := t.plain(reflect.ValueOf(v))
		if ok {
			t.line = appendCell(t.line, s)
		}
	}
	return t.end()
}

func (t *Table) object(values []any) error {
	t.line = append(t.line, '{')
	for i, v := range values {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		t.line = appendJSON(t.line, t.columns[i])
		t.line = append(t.line, ':')
		rv := reflect.ValueOf(v)
		if list, ok := v.([]string); ok {
			t.line = append(t.line, '[')
			for k, s := range list {
				if k > 0 {
					t.line = append(t.line, ',')
				}
				t.line = appendJSON(t.line, s)
			}
			t.line = append(t.line, ']')
			continue
		}
		s, bare, ok := t.plain(rv)
		switch {
		case !ok:
			t.line = append(t.line, "null"...)
		case bare:
			t.line = append(t.line, s...)
		default:
			t.line = appendJSON(t.line, s)
		}
	}
	t.line = append(t.line, '}')
	return t.end()
}

func (t *Table) end() error {
	if t.format == CSV {
		t.line = append(t.line, '\r')
	}
	t.line = append(t.line, '\n')
	if _, err := t.w.Write(t.line); err != nil && t.err == nil {
		t.err = fmt.Errorf("export: write a row: %w", err)
	}
	t.line = t.line[:0]
	return t.err
}

// Close writes what is buffered. It does not close the writer beneath.
func (t *Table) Close() error {
	if err := t.w.Flush(); err != nil && t.err == nil {
		t.err = fmt.Errorf("export: write the last rows: %w", err)
	}
	return t.err
}

var (
	timeType = reflect.TypeFor[time.Time]()
	dateType = reflect.TypeFor[civil.Date]()
)

// plain gives a value's text; bare says that JSON takes it without quotes, ok
// that there is a value.
func (t *Table) plain(v reflect.Value) (text string, bare, ok bool) {
	for v.IsValid() && (v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface) {
		v = v.Elem()
	}
	if !v.IsValid() {
		return "", false, false
	}
	switch v.Type() {
	case timeType:
		at := v.Interface().(time.Time)
		return at.UTC().Format(time.RFC3339Nano), false, !at.IsZero()
	case dateType:
		d := civil.Date(v.Int())
		return d.String(), false, !d.IsZero()
	}
	switch v.Kind() {
	case reflect.String:
		s := v.String()
		return s, false, s != ""
	case reflect.Bool:
		return strconv.FormatBool(v.Bool()), true, true
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return strconv.FormatInt(v.Int(), 10), true, true
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return strconv.FormatUint(v.Uint(), 10), true, true
	case reflect.Float32, reflect.Float64:
		f := v.Float()
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return "", true, false
		}
		return t.number(f), true, true
	case reflect.Slice:
		if list, is := v.Interface().([]string); is {
			return strings.Join(list, " "), false, len(list) > 0
		}
	}
	return fmt.Sprint(v.Interface()), false, true
}

// derivedDigits is how many significant digits a computed figure is written
// with: more than any of them can mean, and few enough to leave out the dust
// of floating-point sums.
const derivedDigits = 9

// number is the shortest text that reads back as the same float64, or, in a
// table of computed figures, as one that agrees to derivedDigits; without an
// exponent where people would not expect one.
func (t *Table) number(f float64) string {
	if t.derived {
		f, _ = strconv.ParseFloat(strconv.FormatFloat(f, 'g', derivedDigits, 64), 64)
	}
	if a := math.Abs(f); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.FormatFloat(f, 'e', -1, 64)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// appendCell quotes a cell where RFC 4180 asks for it; the text itself stays as
// it is.
func appendCell(b []byte, s string) []byte {
	if !strings.ContainsAny(s, "\",\r\n") && s == strings.TrimSpace(s) {
		return append(b, s...)
	}
	b = append(b, '"')
	for i := range len(s) {
		if s[i] == '"' {
			b = append(b, '"')
		}
		b = append(b, s[i])
	}
	return append(b, '"')
}

func appendJSON(b []byte, s string) []byte {
	if !utf8.ValidString(s) {
		s = strings.ToValidUTF8(s, "\uFFFD")
	}
	// A string always encodes.
	text, _ := json.Marshal(s)
	return append(b, text...)
}
