package board

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dwindle/alerts/alarm"
	"dwindle/config/civil"
)

// functions are what the templates may call.
var functions = template.FuncMap{
	"num":   number,
	"opt":   optional,
	"title": typeTitle,
	"state": stateWords,
	"inc":   func(n int) int { return n + 1 },
	// Ids may hold what means something in a path.
	"pointPath": func(id string) string { return "/points/" + url.PathEscape(id) },
	"plural":    plural,
	"count":     func(n int64) string { return number(float64(n)) },
	"shown":     shown,
	"joinBy":    func(s []string) string { return strings.Join(s, "; ") },
	"hours":     span,
	"join":      func(s []string) string { return strings.Join(s, ", ") },
}

// clock writes an instant in the site's time.
func (v *view) clock(t time.Time) string { return t.In(v.loc).Format("2 Jan 2006 15:04") }

// ago puts how long ago behind an instant.
func (v *view) ago(t time.Time) string {
	d := v.now.Sub(t)
	if d < 0 {
		return v.clock(t)
	}
	return v.clock(t) + " (" + span(d) + " ago)"
}

// span writes a duration in one unit.
func span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// How exact a forecast date is shown: no more exact than it is.
const (
	dayExact  = 60  // days ahead up to which the day is shown
	weekExact = 180 // up to which the week is shown, then the month
	farthest  = 365 // beyond, it is only said that it is far
)

// when writes a forecast date as exactly as it can be known.
func when(d, today civil.Date) string {
	switch ahead := int(d - today); {
	case ahead > farthest:
		return "more than 1 year"
	case ahead > weekExact:
		return d.Format("Jan 2006")
	case ahead > dayExact:
		// No year: within half a year a week's number says it all.
		_, week := weekOf(d)
		return fmt.Sprintf("week %d", week)
	case d.Format("2006") == today.Format("2006") || ahead > 0:
		return d.Format("2 Jan")
	}
	return d.Format("2 Jan 2006")
}

// whenUpTo writes a range without saying the same twice.
func whenUpTo(from civil.Date, to *civil.Date, today civil.Date) string {
	a, b := when(from, today), "later"
	if to != nil {
		b = when(*to, today)
	}
	if a == b {
		return a
	}
	// 8–19 Jan rather than 8 Jan–19 Jan, and the like.
	first, last := strings.Fields(a), strings.Fields(b)
	switch {
	case to == nil || strings.HasPrefix(b, "more"):
		return a + " to " + b
	case first[0] == "week" && last[0] == "week":
		return a + "–" + strings.Join(last[1:], " ")
	case first[0] == "week" || last[0] == "week":
		return a + " to " + b
	case len(first) == len(last) && slices.Equal(first[1:], last[1:]):
		return first[0] + "–" + b
	}
	return a + "–" + b
}

func weekOf(d civil.Date) (year, week int) {
	t := time.Unix(int64(d)*86400, 0).UTC()
	return t.ISOWeek()
}

// number writes a value with three digits, thousands apart, never with an
// exponent. What cannot be a number is a dash.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	places := 2
	switch a := math.Abs(v); {
	case a >= 100:
		places = 0
	case a >= 10:
		places = 1
	case a < 0.1 && a > 0:
		places = 4
	}
	s := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	whole, rest, point := strings.Cut(s, ".")
	sign := ""
	if strings.HasPrefix(whole, "-") {
		sign, whole = "−", whole[1:]
	}
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "\u202f" + whole[i:]
	}
	if point {
		whole += "." + rest
	}
	return sign + whole
}

// optional writes a value that may be missing.
func optional(v *float64) string {
	if v == nil {
		return "–"
	}
	return number(*v)
}

// quantity writes a value with its unit; shares become percent.
func quantity(v float64, unit string) string {
	switch unit {
	case "1":
		return share(v)
	case "%":
		return number(v) + " %"
	case "cm3":
		return number(v) + " cm³"
	case "d":
		return number(v) + " days"
	case "{device}":
		return number(v) + " devices"
	}
	return number(v) + " " + unit
}

// share writes a probability or ratio in percent; what is neither none nor all
// is never shown as it.
func share(v float64) string {
	switch p := v * 100; {
	case p > 0 && p < 1:
		return "under 1 %"
	case p > 99 && p < 100:
		return "over 99 %"
	default:
		return strconv.FormatFloat(math.Round(p), 'f', -1, 64) + " %"
	}
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func typeTitle(t alarm.Type) string {
	if d, ok := alarm.Lookup(t); ok {
		return d.Title
	}
	return string(t)
}

func stateWords(s alarm.State) string {
	switch s {
	case alarm.ReturnedUnacked:
		return "over, not seen yet"
	case alarm.LatchedUnacked:
		return "over, waits to be seen and reset"
	case alarm.LatchedAcked:
		return "over, waits for a reset"
	case alarm.Normal:
		return "over"
	}
	return strings.ReplaceAll(string(s), "_", " ")
}

// shown makes foreign text fit for a page: what does not print is written as
// an escape, and it ends after a line or two.
func shown(text string) string {
	const most = 240
	var b strings.Builder
	n := 0
	for i := 0; i < len(text); {
		if n == most {
			return b.String() + " …"
		}
		r, size := utf8.DecodeRuneInString(text[i:])
		switch {
		case r == utf8.RuneError && size == 1:
			fmt.Fprintf(&b, `\x%02x`, text[i])
		case unicode.IsPrint(r):
			b.WriteRune(r)
		default:
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		}
		i += size
		n++
	}
	return b.String()
}
