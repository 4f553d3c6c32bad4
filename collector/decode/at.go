package decode

import (
	"math"
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

// momentOf reads the field "at" against the receive time. ok is false where
// the field is no time in any form that is read.
func momentOf(v *value, received time.Time) (m moment, ok bool) {
	own := moment{at: received}
	if v == nil || v.kind == nullValue {
		return own, true
	}
	raw := string(v.raw)
	var at time.Time
	switch v.kind {
	case numberValue:
		at, ok = unixTime(raw)
	case textValue:
		raw = v.text
		text := strings.TrimSpace(v.text)
		if placeholder(text) {
			return own, true
		}
		if at, ok = zonedTime(text); ok {
			break
		}
		if local, isLocal := localTime(text); isLocal {
			own.raw, own.hint = clip(raw), localHint(local, received)
			return own, true
		}
		if plainNumber(text) {
			at, ok = unixTime(text)
		}
	}
	if !ok {
		return moment{}, false
	}
	// Millisecond resolution keeps two pulses of one second apart and is what
	// the journal's key holds.
	at = at.UTC().Round(time.Millisecond)
	switch {
	case at.Year() < EarliestYear:
		own.raw, own.hint = clip(raw), "the device's clock is not set (time before 2020); the receive time was used"
		return own, true
	case at.After(received.Add(FutureSlack)):
		own.raw, own.hint = clip(raw), "the device's clock is ahead by "+round(at.Sub(received))+"; the receive time was used"
		return own, true
	}
	return moment{at: at, fromDevice: true}, true
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
