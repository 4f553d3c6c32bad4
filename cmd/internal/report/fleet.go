// Package report writes what the commands show people: the fleet by empty
// date, delivery against plan, alarms. Words instead of codes, units in every
// heading, and the reason wherever a value is missing. It reads results of
// forecast and alerts and writes to an [io.Writer]. Start with [Fleet].
package report

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// fleetLegend says how to read the fleet table.
const fleetLegend = "Likely: as likely before as after. Early and late: one reservoir in ten is empty before the early date, " +
	"one in ten lasts beyond the late one; later: beyond the horizon of the forecast. Change by: the last day " +
	"before the chance of running dry passes what the site accepts, one in ten (the day before the early date) unless its limits " +
	"say otherwise. %s Against plan: the likely date beside the one that planned dose and planned use give. Dates more than " +
	"ten months away carry their year."

// Fleet writes the points by early date, then those without a forecast and
// why: a table, or a block for each point where the table would be too wide.
func Fleet(w io.Writer, width int, site *config.Site, fleet forecast.Fleet) error {
	return FleetBefore(w, width, site, fleet, nil)
}

// FleetBefore is [Fleet] with the chance that each reservoir is empty before a
// date in the place of that before the next visit.
func FleetBefore(w io.Writer, width int, site *config.Site, fleet forecast.Fleet, before *civil.Date) error {
	known, withheld := Order(fleet)
	today := site.Today(fleet.At)
	var out bytes.Buffer // takes everything: errors are those of w below
	switch {
	case len(known) == 0:
		fmt.Fprintln(&out, "There is no forecast yet.")
	case !fleetTable(&out, width, site, known, today, before):
		for _, s := range known {
			fleetBlock(&out, width, site, s, today, before)
		}
	}
	if len(known) > 0 {
		fmt.Fprintln(&out)
		chance := "Chance: that it is empty before the visit."
		if before != nil {
			chance = "Empty before a date: the chance that it is empty when that day begins."
		}
		if slices.ContainsFunc(known, func(s *forecast.State) bool { return s.Row.EmptySince != nil }) {
			chance += " Empty since: by estimate."
		}
		_ = text.Paragraph(&out, width, "", fmt.Sprintf(fleetLegend, chance))
	}
	notices(&out, width, fleet)
	if len(withheld) > 0 {
		fmt.Fprintln(&out, "\nNo forecast, because the evidence does not carry one:")
		for _, s := range withheld {
			fmt.Fprintf(&out, "  %s\n", s.Row.Point)
			_ = text.Paragraph(&out, width, "    ", s.Row.Withheld)
		}
	}
	_, err := w.Write(out.Bytes())
	return err
}

// notices writes what else is to be known of the points, in register order.
func notices(out *bytes.Buffer, width int, fleet forecast.Fleet) {
	head := "\nTo know beside the figures:\n"
	for i := range fleet.States {
		r := &fleet.States[i].Row
		for k, n := range r.Notices {
			if k == 0 {
				fmt.Fprintf(out, "%s  %s\n", head, r.Point)
				head = ""
			}
			_ = text.Paragraph(out, width, "    ", n)
		}
	}
}

// Order sorts the forecasts by early date and sets the withheld ones apart.
func Order(fleet forecast.Fleet) (known, withheld []*forecast.State) {
	for i := range fleet.States {
		s := &fleet.States[i]
		if s.Row.Withheld != "" {
			withheld = append(withheld, s)
		} else {
			known = append(known, s)
		}
	}
	key := func(d *civil.Date) civil.Date {
		if d == nil {
			return math.MaxInt32
		}
		return *d
	}
	slices.SortStableFunc(known, func(a, b *forecast.State) int {
		return cmp.Or(cmp.Compare(key(a.Row.EmptyP10), key(b.Row.EmptyP10)), cmp.Compare(key(a.Row.EmptyP50), key(b.Row.EmptyP50)), cmp.Compare(a.Row.Point, b.Row.Point))
	})
	return known, withheld
}

// fleetTable gives each point a line of figures and one that says what and
// where it is. It writes nothing and returns false where that is too wide.
func fleetTable(w io.Writer, width int, site *config.Site, known []*forecast.State, today civil.Date, before *civil.Date) bool {
	t := text.NewTable(text.Column{Head: "point"}, text.Column{Head: "left", Right: true}, text.Column{Head: "likely empty (early - late)"},
		text.Column{Head: "change by"}, text.Column{Head: chanceHead(today, before)}, text.Column{Head: "against plan"})
	for _, s := range known {
		t.Row(s.Row.Point, left(s.Row), Empty(s.Row, today), by(s.Row, today), chance(s, today, before), against(s.Row))
		t.Note(Where(site, s.Row.Point))
	}
	var out bytes.Buffer
	_ = t.Write(&out, width)
	for line := range strings.Lines(out.String()) {
		if utf8.RuneCountInString(strings.TrimSuffix(line, "\n")) > width {
			return false
		}
	}
	_, _ = w.Write(out.Bytes())
	return true
}

func fleetBlock(w io.Writer, width int, site *config.Site, s *forecast.State, today civil.Date, before *civil.Date) {
	r := s.Row
	change, plan := "", ""
	if r.ActBy() != nil {
		change = ", change by " + by(r, today)
	}
	if r.DriftDays != nil {
		plan = "; against plan: " + against(r)
	}
	empty := "likely empty: " + Empty(r, today)
	if r.EmptySince != nil {
		empty = Empty(r, today) + ", by estimate"
	}
	fmt.Fprintln(w, text.Untied(fmt.Sprintf("%s: %s left%s", r.Point, left(r), change)))
	for _, line := range []string{
		Where(site, r.Point),
		empty,
		chanceLabel(today, before) + ": " + chance(s, today, before) + plan,
	} {
		_ = text.Paragraph(w, width, "    ", line)
	}
}

// by shows the date to act by.
func by(r forecast.Row, today civil.Date) string {
	d := r.ActBy()
	if d != nil && *d < today {
		return "now"
	}
	return Date(d, today)
}

// yearAhead is how many days ahead a date is shown without its year: by then
// the same day and month cannot be mistaken for the one just past.
const (
	yearAhead  = 300
	yearBehind = 31
)

// Date shows a date as a person writes it, with the year only where it is
// needed.
func Date(d *civil.Date, today civil.Date) string {
	switch {
	case d == nil:
		return "-"
	case *d > today-yearBehind && *d < today+yearAhead:
		return text.Tied(d.Format("2 Jan"))
	}
	return text.Tied(d.Format("2 Jan 2006"))
}

// Empty shows the likely empty date with its range, or since about when the
// reservoir has been empty by estimate.
func Empty(r forecast.Row, today civil.Date) string {
	if r.EmptySince != nil {
		return "empty since about " + Date(r.EmptySince, today)
	}
	if r.EmptyP50 == nil && r.EmptyP10 == nil {
		if r.BeyondDays != nil {
			return fmt.Sprintf("not within %d days", *r.BeyondDays)
		}
		return "unknown"
	}
	or := func(d *civil.Date) string {
		if d == nil {
			return "later"
		}
		return Date(d, today)
	}
	return or(r.EmptyP50) + " (" + or(r.EmptyP10) + " - " + or(r.EmptyP90) + ")"
}

func left(r forecast.Row) string {
	if r.RemainingCM3 == nil || r.CapacityCM3 == nil || *r.CapacityCM3 <= 0 {
		return "unknown"
	}
	return text.Tied(fmt.Sprintf("%.0f %%", 100**r.RemainingCM3 / *r.CapacityCM3))
}

// chanceHead is the heading of the chance to be empty in a table.
func chanceHead(today civil.Date, before *civil.Date) string {
	if before == nil {
		return "visit (chance empty)"
	}
	return "empty before " + Date(before, today)
}

// chanceLabel is the same in a block of lines.
func chanceLabel(today civil.Date, before *civil.Date) string {
	if before == nil {
		return "next visit (chance empty)"
	}
	return "chance empty before " + Date(before, today)
}

// chance is that of being empty before a date, else before the next visit.
func chance(s *forecast.State, today civil.Date, before *civil.Date) string {
	switch {
	case before == nil:
		return visit(s.Row, today)
	case s.ChanceBefore == nil:
		return "unknown"
	}
	return Chance(s.ChanceBefore(*before - 1))
}

func visit(r forecast.Row, today civil.Date) string {
	if r.NextVisit == nil {
		return "none planned"
	}
	out := Date(r.NextVisit, today)
	if r.ChanceBeforeVisit != nil {
		out += " (" + Chance(*r.ChanceBeforeVisit) + ")"
	}
	return out
}

// Chance shows a probability with no more digits than it has.
func Chance(p float64) string {
	switch {
	case p < 0.005:
		return text.Tied("under 1 %")
	case p > 0.995:
		return text.Tied("over 99 %")
	}
	return text.Tied(fmt.Sprintf("%.0f %%", 100*p))
}

func against(r forecast.Row) string {
	if r.DriftDays == nil {
		return "-"
	}
	switch d := *r.DriftDays; d {
	case 0:
		return text.Tied("as planned")
	case 1:
		return text.Tied("1 day late")
	case -1:
		return text.Tied("1 day early")
	default:
		if d < 0 {
			return text.Tied(fmt.Sprintf("%d days early", -d))
		}
		return text.Tied(fmt.Sprintf("%d days late", d))
	}
}
