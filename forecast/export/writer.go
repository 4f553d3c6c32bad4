// Package export writes tables for other tools: CSV and JSON Lines here,
// Parquet in its sub-package, one row at a time, in constant memory.
//
// CSV follows RFC 4180 in its form for machines: UTF-8 without a byte order
// mark, comma, CRLF, a header line with units in the names, a decimal point,
// ISO 8601 times in UTC with milliseconds. Text is never altered, so a
// spreadsheet may take a cell that begins with "=" for a formula: open the file
// as data, not by double click. JSON Lines has one object a line with the same
// names. A value that does not exist is an empty cell in CSV and null in JSON
// and Parquet; it is never 0. A list is a JSON array, in a CSV cell too.
//
// [Tables] is the dictionary: every column of every table, in order. The package
// imports the reading nouns and dates, not the forecast room. Start with [New]
// for rows of a struct type over a [Sink], made by [NewText] or by the
// sub-package parquet.
package export

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
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
	Parquet   Format = "parquet"
)

// ParseFormat reads a format's name.
func ParseFormat(text string) (Format, error) {
	switch f := Format(strings.ToLower(text)); f {
	case CSV, JSONLines, Parquet:
		return f, nil
	}
	return "", fmt.Errorf("format %q: want csv, jsonl or parquet", text)
}

// Sink takes the cells of a table in the order of its columns, row after row.
// It is not safe for concurrent use. Errors stick: after one, EndRow and Close
// return it. What a cell refers to must stay as it is until EndRow.
type Sink interface {
	None() // there is no value
	Text(string)
	Number(float64)
	Count(int64)
	Truth(bool)
	Instant(time.Time)
	Date(civil.Date)
	List([]string)
	EndRow() error
	// Close writes what is buffered and what ends the table. It does not close
	// the writer beneath.
	Close() error
}

// flushAt is how much text is gathered before it is written.
const flushAt = 64 << 10

// text is what the two formats of text have in common.
type text struct {
	w      io.Writer
	buf    []byte
	table  Table
	column int // of the next cell
	err    error
	round  bool // see derivedDigits
}

// NewText begins a table in CSV or JSON Lines: the header, in CSV.
func NewText(w io.Writer, format Format, table Table) Sink {
	t := text{w: w, buf: make([]byte, 0, flushAt+4<<10), table: table, round: !table.AsRead}
	if format == JSONLines {
		j := &jsonLines{text: t}
		for i, c := range table.Columns {
			lead := byte(',')
			if i == 0 {
				lead = '{'
			}
			j.names = append(j.names, append(appendJSON([]byte{lead}, c.Name), ':'))
		}
		return j
	}
	c := &commas{t}
	for _, column := range table.Columns {
		c.next()
		c.buf = appendCell(c.buf, column.Name)
	}
	c.lineEnd("\r\n")
	return c
}

// lineEnd ends a line and writes what has gathered.
func (t *text) lineEnd(end string) {
	if t.column != len(t.table.Columns) && t.err == nil {
		t.err = fmt.Errorf("export %s: a row of %d cells for %d columns", t.table.Name, t.column, len(t.table.Columns))
	}
	t.column = 0
	t.buf = append(t.buf, end...)
	if len(t.buf) >= flushAt {
		t.flush()
	}
}

func (t *text) flush() {
	if t.err == nil && len(t.buf) > 0 {
		if _, err := t.w.Write(t.buf); err != nil {
			t.err = fmt.Errorf("write a table: %w", err)
		}
	}
	t.buf = t.buf[:0]
}

// Close writes what is buffered.
func (t *text) Close() error {
	t.flush()
	return t.err
}

// commas is CSV.
type commas struct{ text }

func (c *commas) next() {
	if c.column > 0 {
		c.buf = append(c.buf, ',')
	}
	c.column++
}

func (c *commas) None()             { c.next() }
func (c *commas) Text(s string)     { c.next(); c.buf = appendCell(c.buf, s) }
func (c *commas) Count(n int64)     { c.next(); c.buf = strconv.AppendInt(c.buf, n, 10) }
func (c *commas) Truth(b bool)      { c.next(); c.buf = strconv.AppendBool(c.buf, b) }
func (c *commas) Date(d civil.Date) { c.next(); c.buf = append(c.buf, d.String()...) }

func (c *commas) Number(f float64) {
	c.next()
	c.buf = c.number(c.buf, f)
}

func (c *commas) Instant(t time.Time) {
	c.next()
	c.buf = appendInstant(c.buf, t)
}

func (c *commas) List(list []string) {
	c.next()
	c.buf = appendCell(c.buf, string(appendList(nil, list)))
}

func (c *commas) EndRow() error {
	c.lineEnd("\r\n")
	return c.err
}

// jsonLines is one JSON object a line.
type jsonLines struct {
	text
	names [][]byte // with what is before and behind each
}

func (j *jsonLines) next() {
	if j.column < len(j.names) {
		j.buf = append(j.buf, j.names[j.column]...)
	}
	j.column++
}

func (j *jsonLines) None()         { j.next(); j.buf = append(j.buf, "null"...) }
func (j *jsonLines) Text(s string) { j.next(); j.buf = appendJSON(j.buf, s) }
func (j *jsonLines) Count(n int64) { j.next(); j.buf = strconv.AppendInt(j.buf, n, 10) }
func (j *jsonLines) Truth(b bool)  { j.next(); j.buf = strconv.AppendBool(j.buf, b) }

func (j *jsonLines) Number(f float64) {
	j.next()
	j.buf = j.number(j.buf, f)
}

func (j *jsonLines) Date(d civil.Date) {
	j.next()
	j.buf = append(append(append(j.buf, '"'), d.String()...), '"')
}

func (j *jsonLines) Instant(t time.Time) {
	j.next()
	j.buf = append(appendInstant(append(j.buf, '"'), t), '"')
}

func (j *jsonLines) List(list []string) {
	j.next()
	j.buf = appendList(j.buf, list)
}

func (j *jsonLines) EndRow() error {
	j.lineEnd("}\n")
	return j.err
}

// derivedDigits is how many significant digits a computed figure is written
// with as text: more than any of them can mean, and few enough to leave out the
// dust of floating-point sums.
const derivedDigits = 9

// number appends the shortest text that reads back as the same float64, or, in a
// table of computed figures, as one that agrees to derivedDigits; without an
// exponent where people would not expect one.
func (t *text) number(b []byte, f float64) []byte {
	if t.round {
		var digits [32]byte
		f, _ = strconv.ParseFloat(string(strconv.AppendFloat(digits[:0], f, 'g', derivedDigits, 64)), 64)
	}
	if a := math.Abs(f); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.AppendFloat(b, f, 'e', -1, 64)
	}
	return strconv.AppendFloat(b, f, 'f', -1, 64)
}

// appendInstant appends a time in UTC, with milliseconds always: readers that
// learn the form of a column from its first cell are then right about all.
func appendInstant(b []byte, t time.Time) []byte {
	t = t.UTC()
	year, month, day := t.Date()
	if year < 0 || year > 9999 {
		return t.AppendFormat(b, "2006-01-02T15:04:05.000Z07:00")
	}
	hour, minute, second := t.Clock()
	ms := t.Nanosecond() / int(time.Millisecond)
	digit := func(n int) byte { return byte('0' + n%10) }
	return append(b,
		digit(year/1000), digit(year/100), digit(year/10), digit(year), '-',
		digit(int(month)/10), digit(int(month)), '-', digit(day/10), digit(day), 'T',
		digit(hour/10), digit(hour), ':', digit(minute/10), digit(minute), ':', digit(second/10), digit(second), '.',
		digit(ms/100), digit(ms/10), digit(ms), 'Z')
}

// appendCell quotes a cell where RFC 4180 asks for it, and a text that is empty,
// to tell it from no text; the text itself stays as it is.
func appendCell(b []byte, s string) []byte {
	if s != "" && plainCell(s) {
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

// plainCell says that a cell needs no quotes. Readers may trim spaces at its
// ends, so those are quoted too.
func plainCell(s string) bool {
	for i := range len(s) {
		switch c := s[i]; {
		case c == '"' || c == ',' || c == '\r' || c == '\n':
			return false
		case c >= utf8.RuneSelf: // may be a space of some other writing
			return !strings.ContainsAny(s, "\",\r\n") && s == strings.TrimSpace(s)
		}
	}
	return s[0] > ' ' && s[len(s)-1] > ' '
}

func appendList(b []byte, list []string) []byte {
	b = append(b, '[')
	for i, s := range list {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendJSON(b, s)
	}
	return append(b, ']')
}

func appendJSON(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c >= utf8.RuneSelf || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			if !utf8.ValidString(s) {
				s = strings.ToValidUTF8(s, "\uFFFD")
			}
			// A string always encodes.
			quoted, _ := json.Marshal(s)
			return append(b, quoted...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}
