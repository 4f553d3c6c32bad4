package decode

import (
	"cmp"
	"math"
	"math/big"
	"strconv"
	"time"
)

// moment is the time of a message and where it comes from.
type moment struct {
	at         time.Time // UTC, millisecond
	fromDevice bool
	clock      time.Time // what the device's own clock showed, where that was not used
	raw, hint  string    // why the device's own time was not used
	unit       string    // s, ms, us or ns, where it was a number
	source     string    // its name in the payload, where it was used
}

// from notes the name of a time that could be used.
func (m moment) from(name string) moment {
	if m.fromDevice {
		m.source = name
	}
	return m
}

// shown is what the device's own clock showed; zero: it said nothing.
func (m moment) shown() time.Time {
	if m.fromDevice {
		return m.at
	}
	return m.clock
}

// clock says how a time was written, where a mapping knows.
type clock struct {
	unit string         // s, ms, us, ns; empty: by magnitude
	zone *time.Location // of a time without one; nil: not known
	from time.Time      // a relative time counts from it; zero: the time is none
}

// momentOf reads a time of which nothing is known but that it is one.
func momentOf(v *value, received time.Time) (m moment, ok bool) {
	return clock{}.read(v, received)
}

// read reads a time against the receive time. ok is false where it is no time
// in any form that is read.
func (c clock) read(v *value, received time.Time) (m moment, ok bool) {
	own := moment{at: received}
	if v == nil || v.kind == nullValue {
		return own, true
	}
	text := string(v.raw)
	switch v.kind {
	case numberValue:
	case textValue:
		if text = ordinary(v.text); placeholder(text) {
			return own, true
		}
	default:
		return moment{}, false
	}
	if v.kind == textValue || compactTime(text) && c.unit == "" && c.from.IsZero() {
		if at, zoned, ok := readTimeText(text); ok {
			if !zoned && c.zone == nil {
				own.raw, own.hint = clip(text), localHint(at, received)
				return own, true
			}
			if !zoned {
				at = inZone(at, c.zone, received)
			}
			return clocked(at, text, received), true
		}
	}
	if v.kind == textValue {
		q, err := readNumber(text, "point", "")
		if err != nil || q.exact != nil || q.symbol != "" {
			return moment{}, false
		}
		text = q.text
	}
	at, unit, ok := c.unix(text)
	if !ok {
		return moment{}, false
	}
	m = clocked(at, text, received)
	m.unit = unit
	if !m.fromDevice && c.unit != "" && c.from.IsZero() {
		if at, other, ok := unixTime(text); ok && other != c.unit && clocked(at, text, received).fromDevice {
			m.hint = "the time looks like " + other + ", not " + c.unit + " as the mapping says; the receive time was used"
		}
	}
	return m, true
}

// compactTime says that a number is a date and a time of day without anything
// between them; no Unix time that is read has so many digits.
func compactTime(text string) bool {
	return (len(text) == 14 || len(text) == 17) && text[0] == '2' && allDigits(text)
}

// clocked is a device's time, or the receive time with a hint where the
// device's clock cannot be right.
func clocked(at time.Time, raw string, received time.Time) moment {
	own := moment{at: received, clock: at.UTC()}
	// Millisecond resolution keeps two pulses of one second apart and is what
	// the journal's key holds.
	at = at.UTC().Round(time.Millisecond)
	switch {
	case at.Year() < EarliestYear:
		own.raw, own.hint = clip(raw), "the device's clock is not set (time before 2020); the receive time was used"
		return own
	case at.After(received.Add(FutureSlack)):
		own.raw, own.hint = clip(raw), "the device's clock is ahead by "+round(at.Sub(received))+"; the receive time was used"
		return own
	}
	return moment{at: at, fromDevice: true}
}

// unix reads a number as a time and gives the unit that it is in.
func (c clock) unix(text string) (at time.Time, unit string, ok bool) {
	if c.from.IsZero() && c.unit == "" {
		return unixTime(text)
	}
	unit = cmp.Or(c.unit, "s")
	x, ok := decimal(text)
	if !ok {
		return time.Time{}, "", false
	}
	ms, _ := x.Mul(x, perUnit[unit]).Float64()
	ms = max(-mostMS, min(ms, mostMS))
	if c.from.IsZero() {
		return time.UnixMilli(int64(math.Round(ms))), unit, true
	}
	return c.from.Add(time.Duration(math.Round(ms)) * time.Millisecond), unit, true
}

// perUnit are the milliseconds of a unit of time. Treat as constant.
var perUnit = map[string]*big.Rat{"s": big.NewRat(1000, 1), "ms": big.NewRat(1, 1), "us": big.NewRat(1, 1000), "ns": big.NewRat(1, 1_000_000)}

// mostMS bounds times, 250 years either way: a duration holds no more. Beyond
// it a clock is as wrong as it is there.
const mostMS = 250 * 365 * 86400e3

// inZone gives the instant of a time of day in a zone. One that comes twice,
// when clocks go back, is the one nearest to the receive time. One that is left
// out, when they go forward, is told by a clock that was not set yet, so the
// offset before it counts: 02:30 becomes 03:30.
func inZone(local time.Time, zone *time.Location, received time.Time) time.Time {
	// No zone changes twice within two days.
	_, before := local.Add(-24 * time.Hour).In(zone).Zone()
	_, after := local.Add(24 * time.Hour).In(zone).Zone()
	first := local.Add(-time.Duration(before) * time.Second).In(zone)
	second := local.Add(-time.Duration(after) * time.Second).In(zone)
	shows := func(t time.Time) bool {
		_, offset := t.Zone()
		return t.Add(time.Duration(offset) * time.Second).Equal(local)
	}
	switch {
	case !shows(second):
		return first
	case !shows(first):
		return second
	case second.Sub(received).Abs() < first.Sub(received).Abs():
		return second
	}
	return first
}

// unixTime reads a Unix time whose unit follows from its magnitude: ten digits
// before the point are seconds (until the year 2286), 13 are milliseconds, 16
// microseconds, 19 nanoseconds. Below 1e9 it is seconds since some boot, which
// the caller's bound of 2020 sorts out; between the bands no unit fits.
func unixTime(text string) (at time.Time, unit string, ok bool) {
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		switch {
		case n < 1e10:
			return time.Unix(max(n, 0), 0), "s", true
		case n >= 1e12 && n < 1e13:
			return time.UnixMilli(n), "ms", true
		case n >= 1e15 && n < 1e16:
			return time.UnixMicro(n), "us", true
		case n >= 1e18:
			return time.Unix(0, n), "ns", true
		}
		return time.Time{}, "", false
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(f) {
		return time.Time{}, "", false
	}
	var ms float64
	switch {
	case f < 1e10:
		ms, unit = max(f, 0)*1e3, "s"
	case f >= 1e12 && f < 1e13:
		ms, unit = f, "ms"
	case f >= 1e15 && f < 1e16:
		ms, unit = f/1e3, "us"
	case f >= 1e18 && f < 9.2e18:
		ms, unit = f/1e6, "ns"
	default:
		return time.Time{}, "", false
	}
	return time.UnixMilli(int64(math.Round(ms))), unit, true
}

// localHint says which zone a local time looks like, by its distance from the
// receive time in quarter hours.
func localHint(local, received time.Time) string {
	const used = "; the receive time was used; send a zone, such as Z or +01:00"
	off := local.Sub(received).Round(15 * time.Minute)
	if off < -12*time.Hour || off > 14*time.Hour {
		return "the time has no zone" + used
	}
	return "the time has no zone and looks like UTC" + time.Unix(0, 0).In(time.FixedZone("", int(off/time.Second))).Format("-07:00") + used
}

func round(d time.Duration) string {
	if d > time.Hour {
		return d.Round(time.Minute).String()
	}
	return d.Round(time.Second).String()
}
