// Package report writes what the commands show people: the fleet by empty
// date, delivery against plan, alarms. Words instead of codes, units in every
// heading, and the reason wherever a value is missing. It reads results of
// forecast and alerts and writes to an [io.Writer]. Start with [Fleet].
package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// FleetLegend says how to read the fleet table.
const FleetLegend = "change by: the last day that still has lubricant at the early date. Early, late: with a chance of 1 in 10 " +
	"each it is empty before the early date, or only after the late one. next visit: the next planned visit, and the " +
	"chance that the reservoir is empty before it. plan: the likely date beside the one that planned dose and use give."

// Fleet writes one line per point, the earliest early date first, points
// without a forecast last, with the reason.
func Fleet(w io.Writer, width int, site *config.Site, fleet forecast.Fleet) error {
	known, withheld := split(fleet)
	today := site.Today(fleet.At)
	if len(known) > 0 {
		t := text.NewTable(
			text.Column{Head: "point"},
			text.Column{Head: "left", Right: true},
			text.Column{Head: "change by"},
			text.Column{Head: "empty likely (early - late)"},
			text.Column{Head: "next visit"},
			text.Column{Head: "plan"},
		)
		for _, s := range known {
			r := s.Row
			t.Row(r.Point, percent(r), Date(r.ChangeBefore, today), Span(r, today), visit(r, today), against(r))
			t.Note(Where(site, r.Point))
		}
		if err := t.Write(w, width); err != nil {
			return err
		}
	}
	if len(withheld) == 0 {
		return nil
	}
	fmt.Fprintf(w, "\nNot known yet (%d):\n", len(withheld))
	t := text.NewTable(text.Column{Head: "point"}, text.Column{Head: "why there is no forecast", Wrap: true})
	for _, s := range withheld {
		t.Row(s.Row.Point, s.Row.Withheld)
		t.Note(Where(site, s.Row.Point))
	}
	return t.Write(w, width)
}

// split orders the fleet: forecasts by early date, and the withheld ones.
func split(fleet forecast.Fleet) (known, withheld []forecast.State) {
	for _, s := range fleet.States {
		if s.Row.Withheld != "" {
			withheld = append(withheld, s)
		} else {
			known = append(known, s)
		}
	}
	slices.SortStableFunc(known, func(a, b forecast.State) int {
		return cmp.Or(cmp.Compare(sortKey(a.Row.EmptyP10), sortKey(b.Row.EmptyP10)), cmp.Compare(sortKey(a.Row.EmptyP50), sortKey(b.Row.EmptyP50)), cmp.Compare(a.Row.Point, b.Row.Point))
	})
	return known, withheld
}

func sortKey(d *civil.Date) civil.Date {
	if d == nil {
		return math.MaxInt32
	}
	return *d
}

// yearAhead is how many days ahead a date is shown without its year: by then
// the same day and month cannot be mistaken for the one just past.
const yearAhead = 300

// Date shows a date as a person writes it, with the year only where it is
// needed.
func Date(d *civil.Date, today civil.Date) string {
	switch {
	case d == nil:
		return "-"
	case *d > today-60 && *d < today+yearAhead:
		return d.Format("2 Jan")
	}
	return d.Format("2 Jan 2006")
}

// Span shows the empty date with its range.
func Span(r forecast.Row, today civil.Date) string {
	beyond := "-"
	if r.BeyondDays != nil {
		beyond = fmt.Sprintf("over %d days", *r.BeyondDays)
	}
	if r.EmptyP10 == nil {
		return beyond
	}
	likely, late := Date(r.EmptyP50, today), Date(r.EmptyP90, today)
	if r.EmptyP50 == nil {
		likely = beyond
	}
	if r.EmptyP90 == nil {
		late = "later"
	}
	return fmt.Sprintf("%s (%s - %s)", likely, Date(r.EmptyP10, today), late)
}

func percent(r forecast.Row) string {
	if r.RemainingCM3 == nil || r.CapacityCM3 == nil || *r.CapacityCM3 <= 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", 100**r.RemainingCM3 / *r.CapacityCM3)
}

func visit(r forecast.Row, today civil.Date) string {
	if r.NextVisit == nil {
		return "none"
	}
	out := Date(r.NextVisit, today)
	if r.ChanceBeforeVisit != nil {
		out += " (" + Chance(*r.ChanceBeforeVisit) + ")"
	}
	return out
}

// Chance shows a probability without more digits than it has.
func Chance(p float64) string {
	switch {
	case p < 0.005:
		return "<1 %"
	case p > 0.995:
		return ">99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func against(r forecast.Row) string {
	if r.DriftDays == nil {
		return "-"
	}
	switch d := *r.DriftDays; {
	case d == 0:
		return "on plan"
	case d < 0:
		return fmt.Sprintf("%d d early", -d)
	default:
		return fmt.Sprintf("%d d late", d)
	}
}

// Where names a point by its machine and its own name.
func Where(site *config.Site, point string) string {
	p := site.Point(point)
	if p == nil {
		return ""
	}
	name := p.Name
	if machine := machineName(site, p.Machine); !strings.HasPrefix(name, machine) {
		name = joinWith(machine, ", ", name)
	}
	return joinWith(name, "; ", p.Location)
}

func machineName(site *config.Site, id string) string {
	if m := site.Machine(id); m != nil && m.Name != "" {
		return m.Name
	}
	return id
}

// Time shows an instant in the site's zone.
func Time(site *config.Site, t time.Time) string { return t.In(site.Location()).Format("2 Jan 15:04") }
