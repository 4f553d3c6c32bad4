package decode

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

// How a time in a text is read. Only orders that can be read one way are: the
// year comes first, or the month is a word. 25.11.2026 and 11/25/2026 are
// refused, since 5.11.2026 and 11/5/2026 would be guesses.
//
//  1. Year, month, day parted by -, / or . or by nothing; T, a blank or nothing;
//     hours, minutes, seconds parted by : or nothing; a fraction behind point
//     or comma. RFC 3339 and the forms of ISO 8601 with full dates are among
//     these. 24:00 is the end of the day, :60 a leap second.
//  2. RFC 5322, ctime and their like, by the name of the month in English; a
//     weekday before it is passed over.
//  3. The zone is Z, UTC, UT, GMT or an offset, also behind UTC or GMT. Other
//     names of zones are refused: CST is three of them. A zone in brackets
//     behind an offset (RFC 9557) and a remark in parentheses are passed over.
//  4. Without a zone it is a local time; whose is for the caller to know.
//  5. /Date(1792999000000)/ is ms since 1970.

const (
	clockPart = `(\d{1,2}):?(\d{2})(?::?(\d{2})(?:[.,](\d+))?)?(?: ?([AaPp])\.?[Mm]\.?)?`
	zonePart  = `(?: ?(?:((?i:Z|UTC|UT|GMT)?)([+-]\d{2}(?::?\d{2})?)?))`
	monthPart = `(?i:(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*)\.?`
	dayPart   = `(?:(?i:mon|tue|wed|thu|fri|sat|sun)[a-z]*,? +)?`
)

var (
	yearFirst = regexp.MustCompile(`^(\d{4})(?:-(\d{2})-(\d{2})|/(\d{2})/(\d{2})|\.(\d{2})\.(\d{2})|(\d{2})(\d{2}))(?:[Tt_]|,? ?)` + clockPart + zonePart + `$`)
	dayMonth  = regexp.MustCompile(`^` + dayPart + `(\d{1,2})[ -]` + monthPart + `[ -](\d{4}),? ` + clockPart + zonePart + `$`)
	monthDay  = regexp.MustCompile(`^` + dayPart + monthPart + ` +(\d{1,2}),? (\d{4}),? ` + clockPart + zonePart + `$`)
	yearLast  = regexp.MustCompile(`^` + dayPart + monthPart + ` +(\d{1,2}) ` + clockPart + zonePart + ` (\d{4})$`)
	dateCall  = regexp.MustCompile(`^\\?/Date\((-?\d{1,15})(?:[+-]\d{4})?\)\\?/$`)
	remark    = regexp.MustCompile(` *(?:\([^()]*\)|\[[^\[\]]*\])$`)
)

// readTimeText reads a time. zoned is false for one without a zone, which is
// then given as if it were UTC.
func readTimeText(text string) (at time.Time, zoned, ok bool) {
	if len(text) < len("202611250700") || len(text) > 96 {
		return at, false, false
	}
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, true, true // by far the most usual
	}
	if m := dateCall.FindStringSubmatch(text); m != nil {
		ms, err := strconv.ParseInt(m[1], 10, 64)
		return time.UnixMilli(ms), true, err == nil
	}
	if cut := remark.FindStringIndex(text); cut != nil {
		at, zoned, ok = readTimeText(text[:cut[0]])
		return at, zoned, ok && zoned
	}
	if len(text) == 17 && allDigits(text) {
		text = text[:14] + "." + text[14:]
	}
	if m := yearFirst.FindStringSubmatch(text); m != nil {
		return dated(m[1], m[2]+m[4]+m[6]+m[8], m[3]+m[5]+m[7]+m[9], m[10:])
	}
	if m := dayMonth.FindStringSubmatch(text); m != nil {
		return dated(m[3], monthNumber(m[2]), m[1], m[4:])
	}
	if m := monthDay.FindStringSubmatch(text); m != nil {
		return dated(m[3], monthNumber(m[1]), m[2], m[4:])
	}
	if m := yearLast.FindStringSubmatch(text); m != nil {
		return dated(m[10], monthNumber(m[1]), m[2], m[3:10])
	}
	return at, false, false
}

func monthNumber(word string) string {
	const all = "janfebmaraprmayjunjulaugsepoctnovdec"
	return strconv.Itoa(strings.Index(all, strings.ToLower(word))/3 + 1)
}

// dated makes a time of its parts: clock holds hour, minute, second, fraction,
// half of the day, name and offset of the zone.
func dated(year, month, day string, clock []string) (at time.Time, zoned, ok bool) {
	number := func(text string) int {
		n, err := strconv.Atoi(text)
		if err != nil {
			return 0 // a part that is left out; the others are digits
		}
		return n
	}
	y, mo, d := number(year), number(month), number(day)
	h, mi, s := number(clock[0]), number(clock[1]), number(clock[2])
	ns := number((clock[3] + "000000000")[:9])
	if half := strings.ToLower(clock[4]); half != "" {
		if h < 1 || h > 12 {
			return at, false, false
		}
		if h %= 12; half == "p" {
			h += 12
		}
	}
	var extra time.Duration
	if s == 60 {
		s, extra = 59, time.Second
	}
	if h == 24 && mi == 0 && s == 0 && ns == 0 {
		h, extra = 0, 24*time.Hour
	}
	if h > 23 || mi > 59 || s > 59 {
		return at, false, false
	}
	at = time.Date(y, time.Month(mo), d, h, mi, s, ns, time.UTC)
	if at.Month() != time.Month(mo) || at.Day() != d {
		return at, false, false
	}
	at = at.Add(extra)
	offset := clock[6]
	if offset == "" {
		return at, clock[5] != "", true
	}
	if strings.EqualFold(clock[5], "Z") {
		return at, false, false
	}
	oh, om := number(offset[1:3]), number(strings.TrimPrefix(offset[3:], ":"))
	if oh > 18 || om > 59 {
		return at, false, false
	}
	away := time.Duration(oh)*time.Hour + time.Duration(om)*time.Minute
	if offset[0] == '-' {
		away = -away
	}
	return at.Add(-away), true, true
}
