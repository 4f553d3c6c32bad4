package decode

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"
)

// moment is the time of a message and where it comes from.
type moment struct {
	at         time.Time // UTC, millisecond
	fromDevice bool
	raw, hint  string // why the device's own time was not used
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
	raw := string(v.raw)
	var at time.Time
	switch v.kind {
	case numberValue:
		at, ok = c.unix(raw)
	case textValue:
		raw = v.text
		text := strings.TrimSpace(v.text)
		if placeholder(text) {
			return own, true
		}
		if at, ok = zonedTime(text); ok {
			break
		}
		if local, isLocal := localTime(text); isLocal && c.zone != nil {
			at, ok = inZone(local, c.zone, received), true
			break
		} else if isLocal {
			own.raw, own.hint = clip(raw), localHint(local, received)
			return own, true
		}
		if plainNumber(text) {
			at, ok = c.unix(text)
		}
	}
	if !ok {
		return moment{}, false
	}
	return clocked(at, raw, received), true
}

// clocked is a device's time, or the receive time with a hint where the
// device's clock cannot be right.
func clocked(at time.Time, raw string, received time.Time) moment {
	own := moment{at: received}
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

// unix reads a number as a time.
func (c clock) unix(text string) (time.Time, bool) {
	if c.from.IsZero() && c.unit == "" {
		return unixTime(text)
	}
	x, ok := decimal(text)
	if !ok {
		return time.Time{}, false
	}
	ns := map[string]int64{"": 1e9, "s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1}[c.unit]
	x.Mul(x, new(big.Rat).SetInt64(ns))
	x.Quo(x, new(big.Rat).SetInt64(1e6)) // ms
	f, _ := x.Float64()
	// Two thousand years either way: beyond, nothing is a time.
	if math.Abs(f) > 2000*366*86400e3 {
		return time.Time{}, false
	}
	if !c.from.IsZero() {
		return c.from.Add(time.Duration(math.Round(f)) * time.Millisecond), true
	}
	return time.UnixMilli(int64(math.Round(f))), true
}

// inZone gives the instant of a time of day in a zone. One that comes twice,
// when clocks go back, is the one nearest to the receive time; one that is
// left out, when they go forward, counts as that much later (the hour that a
// clock shows which nobody has set yet).
func inZone(local time.Time, zone *time.Location, received time.Time) time.Time {
	y, mo, d := local.Date()
	at := time.Date(y, mo, d, local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), zone)
	best := at
	// Offsets in force around it: the other reading, where it shows the same.
	for _, near := range []time.Time{at.Add(-12 * time.Hour), at.Add(12 * time.Hour)} {
		_, offset := near.Zone()
		other := time.Date(y, mo, d, local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), time.FixedZone("", offset)).In(zone)
		if other.Hour() == local.Hour() && other.Minute() == local.Minute() && other.Sub(received).Abs() < best.Sub(received).Abs() {
			best = other
		}
	}
	return best
}

// unixTime reads a Unix time whose unit follows from its magnitude: ten digits
// before the point are seconds (until the year 2286), 13 are milliseconds, 16
// microseconds, 19 nanoseconds. Below 1e9 it is seconds since some boot, which
// the caller's bound of 2020 sorts out; between the bands no unit fits.
func unixTime(text string) (time.Time, bool) {
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		switch {
		case n < 1e10:
			return time.Unix(max(n, 0), 0), true
		case n >= 1e12 && n < 1e13:
			return time.UnixMilli(n), true
		case n >= 1e15 && n < 1e16:
			return time.UnixMicro(n), true
		case n >= 1e18:
			return time.Unix(0, n), true
		}
		return time.Time{}, false
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(f) {
		return time.Time{}, false
	}
	var ms float64
	switch {
	case f < 1e10:
		ms = max(f, 0) * 1e3
	case f >= 1e12 && f < 1e13:
		ms = f
	case f >= 1e15 && f < 1e16:
		ms = f / 1e3
	case f >= 1e18 && f < 9.2e18:
		ms = f / 1e6
	default:
		return time.Time{}, false
	}
	return time.UnixMilli(int64(math.Round(ms))), true
}

// zonedTime reads RFC 3339 and its near forms: a blank or small t instead of
// T, an offset without colon, a leap second.
func zonedTime(text string) (time.Time, bool) {
	if len(text) < len("2006-01-02T15:04Z") || len(text) > 48 {
		return time.Time{}, false
	}
	text = strings.ToUpper(text)
	if text[10] == ' ' {
		text = text[:10] + "T" + text[11:]
	}
	var leap time.Duration
	if strings.HasPrefix(text[16:], ":60") {
		text, leap = text[:16]+":59"+text[19:], time.Second
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05Z0700", "2006-01-02T15:04Z07:00"} {
		if at, err := time.Parse(layout, text); err == nil {
			return at.Add(leap), true
		}
	}
	return time.Time{}, false
}

// localTime reads a date and time of day without a zone, as if it were UTC.
func localTime(text string) (time.Time, bool) {
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"} {
		if at, err := time.Parse(layout, text); err == nil {
			return at, true
		}
	}
	return time.Time{}, false
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
