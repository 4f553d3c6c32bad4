package score

import (
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
	"dwindle/forecast/virtual"
)

// maxSpanDays bounds the days from a series' first to its last date, so that a
// mistyped year cannot fill the memory.
const maxSpanDays = 100 * 366

var dayTypeWords = []string{"monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "holiday", "shutdown"}

// ReadFile reads a file of daily duty, see [ReadCSV]; a name that ends in .gz
// is unpacked.
func ReadFile(path string) ([]Series, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("daily duty: %w", err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(f)
		if err != nil {
			return nil, fmt.Errorf("daily duty %s: not a gzip file: %w", path, err)
		}
		defer z.Close()
		r = z
	}
	series, err := ReadCSV(r)
	if err != nil {
		return nil, fmt.Errorf("daily duty %s: %w", path, err)
	}
	return series, nil
}

// ReadCSV reads daily duty with the columns series, date and duty, and
// optionally daytype (a weekday, holiday or shutdown; empty: the weekday of the
// date), seen (the share of the day that was observed, 0 to 1, to which duty
// belongs; empty: all of it) and scale (the use that was planned for the day,
// relative to an ordinary day of its type; empty: 1), in any order and named in the first row. Rows may
// come in any order. A date without a row, or with an empty duty, is a day that
// was not seen.
// Series come out in the order of their first row. Errors name line and column.
func ReadCSV(r io.Reader) ([]Series, error) {
	in := csv.NewReader(r)
	in.ReuseRecord = true
	header, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("line 1: empty file: want a first row such as series,date,duty")
	}
	if err != nil {
		return nil, badRow(err)
	}
	cols, err := columnsOf(header)
	if err != nil {
		return nil, err
	}
	var names []string
	rows := map[string][]row{}
	for {
		record, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, badRow(err)
		}
		name, one, err := cols.parse(in, record)
		if err != nil {
			return nil, err
		}
		if _, ok := rows[name]; !ok {
			name = strings.Clone(name)
			names = append(names, name)
		}
		rows[name] = append(rows[name], one)
	}
	if len(names) == 0 {
		return nil, errors.New("line 2: no rows under the first one")
	}
	out := make([]Series, 0, len(names))
	for _, name := range names {
		s, err := assemble(name, rows[name])
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

func badRow(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return fmt.Errorf("line %d, column %d: %w: want one value per column of the first row, quotes closed", p.Line, p.Column, p.Err)
	}
	return fmt.Errorf("reading rows: %w", err)
}

// columns are the positions of the fields; daytype, seen and scale are -1 where
// absent.
type columns struct{ series, date, duty, daytype, seen, scale int }

// mostScale is more than any plan asks of a machine.
const mostScale = 10

func columnsOf(header []string) (columns, error) {
	c := columns{-1, -1, -1, -1, -1, -1}
	for i, h := range header {
		if i == 0 {
			h = strings.TrimPrefix(h, "\ufeff")
		}
		var at *int
		switch strings.ToLower(strings.TrimSpace(h)) {
		case "series":
			at = &c.series
		case "date":
			at = &c.date
		case "duty":
			at = &c.duty
		case "daytype":
			at = &c.daytype
		case "seen":
			at = &c.seen
		case "scale":
			at = &c.scale
		default:
			continue
		}
		if *at >= 0 {
			return c, fmt.Errorf("line 1, column %d: %q is there twice: keep one", i+1, h)
		}
		*at = i
	}
	for _, want := range []struct {
		name string
		at   int
	}{{"series", c.series}, {"date", c.date}, {"duty", c.duty}} {
		if want.at < 0 {
			return c, fmt.Errorf("line 1: no column %q among %s: name the columns series,date,duty and optionally daytype, seen and scale", want.name, strings.Join(header, ","))
		}
	}
	return c, nil
}

type row struct {
	date civil.Date
	day  duty.Day
	line int
}

func (c columns) parse(in *csv.Reader, record []string) (string, row, error) {
	fault := func(col int, format string, args ...any) error {
		line, _ := in.FieldPos(col)
		return fmt.Errorf("line %d, column %d: %s", line, col+1, fmt.Sprintf(format, args...))
	}
	name := strings.TrimSpace(record[c.series])
	if name == "" {
		return "", row{}, fault(c.series, "no series: give every row the name of its machine or controller")
	}
	date, err := civil.Parse(strings.TrimSpace(record[c.date]))
	if err != nil {
		return "", row{}, fault(c.date, "%v", err)
	}
	one := row{date: date, day: duty.Day{Type: virtual.Weekday(date)}}
	one.line, _ = in.FieldPos(c.date)
	if text := strings.TrimSpace(record[c.duty]); text != "" {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return "", row{}, fault(c.duty, "duty %q: want a number that is 0 or more, or nothing for a day that was not seen", text)
		}
		one.day.Amount, one.day.Seen = v, 1
	}
	if c.seen >= 0 {
		if text := strings.TrimSpace(record[c.seen]); text != "" {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil || !(v >= 0 && v <= 1) {
				return "", row{}, fault(c.seen, "seen %q: want the share of the day that was observed, 0 to 1, or nothing for all of it", text)
			}
			if one.day.Seen > 0 {
				one.day.Seen = v
			}
			if v == 0 {
				one.day.Amount = 0
			}
		}
	}
	if c.daytype >= 0 {
		if text := strings.ToLower(strings.TrimSpace(record[c.daytype])); text != "" {
			t := slices.Index(dayTypeWords, text)
			if t < 0 {
				return "", row{}, fault(c.daytype, "day type %q: want one of %s, or nothing for the weekday of the date", text, strings.Join(dayTypeWords, ", "))
			}
			one.day.Type = config.DayType(t)
		}
	}
	if c.scale >= 0 {
		if text := strings.TrimSpace(record[c.scale]); text != "" {
			v, err := strconv.ParseFloat(text, 32)
			if err != nil || !(v > 0 && v <= mostScale) {
				return "", row{}, fault(c.scale, "scale %q: want the use planned for the day relative to an ordinary one, above 0 and at most %d, or nothing for 1", text, mostScale)
			}
			one.day.Scale = float32(v)
		}
	}
	return name, one, nil
}

func assemble(name string, rows []row) (Series, error) {
	slices.SortStableFunc(rows, func(a, b row) int { return int(a.date) - int(b.date) })
	first, last := rows[0].date, rows[len(rows)-1].date
	if last-first >= maxSpanDays {
		return Series{}, fmt.Errorf("line %d: series %q runs from %s to %s, more than 100 years: check the dates", rows[len(rows)-1].line, name, first, last)
	}
	s := Series{Name: name, First: first, Days: make([]duty.Day, last-first+1)}
	for i := range s.Days {
		s.Days[i].Type = virtual.Weekday(first + civil.Date(i))
	}
	for i, r := range rows {
		if i > 0 && rows[i-1].date == r.date {
			return Series{}, fmt.Errorf("line %d: series %q has %s already on line %d: keep one row per series and date", r.line, name, r.date, rows[i-1].line)
		}
		s.Days[r.date-first] = r.day
	}
	return s, nil
}
