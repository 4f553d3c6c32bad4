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
	"time"

	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// Fleet writes one line per point, the earliest early date first, points
// without a forecast last, with the reason.
func Fleet(w io.Writer, width int, site *config.Site, fleet forecast.Fleet) error {
	known, withheld := split(fleet)
	today := site.Today(fleet.At)
	if len(known) > 0 {
		t := text.NewTable(
			text.Column{Head: "point"},
			text.Column{Head: "machine", Wrap: true},
			text.Column{Head: "left cm3", Right: true},
			text.Column{Head: "%", Right: true},
			text.Column{Head: "change by"},
			text.Column{Head: "empty likely"},
			text.Column{Head: "early - late"},
			text.Column{Head: "next visit (chance empty)"},
			text.Column{Head: "plan"},
		)
		for _, s := range known {
			r := s.Row
			t.Row(r.Point, machineName(site, r.Machine), left(r), percent(r), Date(r.ChangeBefore, today), likely(r, today), span(r, today), visit(r, today), against(r))
		}
		if err := t.Write(w, width); err != nil {
			return err
		}
	}
	if len(withheld) == 0 {
		return nil
	}
	fmt.Fprintf(w, "\nNot known yet (%d):\n", len(withheld))
	t := text.NewTable(text.Column{Head: "point"}, text.Column{Head: "machine"}, text.Column{Head: "why there is no forecast", Wrap: true})
	for _, s := range withheld {
		t.Row(s.Row.Point, machineName(site, s.Row.Machine), s.Row.Withheld)
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

// Date shows a date as a person writes it; the year only where it is not the
// current one.
func Date(d *civil.Date, today civil.Date) string {
	if d == nil {
		return "-"
	}
	if d.Format("2006") == today.Format("2006") {
		return d.Format("2 Jan")
	}
	return d.Format("2 Jan 2006")
}

func likely(r forecast.Row, today civil.Date) string {
	if r.EmptyP50 == nil && r.BeyondDays != nil {
		return fmt.Sprintf("over %d days", *r.BeyondDays)
	}
	return Date(r.EmptyP50, today)
}

func span(r forecast.Row, today civil.Date) string {
	late := Date(r.EmptyP90, today)
	if r.EmptyP90 == nil && r.BeyondDays != nil {
		late = "later"
	}
	if r.EmptyP10 == nil {
		return "-"
	}
	return Date(r.EmptyP10, today) + " - " + late
}

func left(r forecast.Row) string {
	if r.RemainingCM3 == nil {
		return "-"
	}
	if r.RemainingSDCM3 == nil {
		return fmt.Sprintf("%.0f", *r.RemainingCM3)
	}
	return fmt.Sprintf("%.0f ± %.0f", *r.RemainingCM3, math.Max(1, *r.RemainingSDCM3))
}

func percent(r forecast.Row) string {
	if r.RemainingCM3 == nil || r.CapacityCM3 == nil || *r.CapacityCM3 <= 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", 100**r.RemainingCM3 / *r.CapacityCM3)
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

// Chance shows a probability without more digits than it has.
func Chance(p float64) string {
	switch {
	case p < 0.005:
		return "under 1 %"
	case p > 0.995:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func against(r forecast.Row) string {
	if r.DriftDays == nil {
		return "-"
	}
	switch d := *r.DriftDays; {
	case d == 0:
		return "as planned"
	case d < 0:
		return fmt.Sprintf("%d d early", -d)
	default:
		return fmt.Sprintf("%d d late", d)
	}
}

func machineName(site *config.Site, id string) string {
	if m := site.Machine(id); m != nil && m.Name != "" {
		return m.Name
	}
	return id
}

// Time shows an instant in the site's zone.
func Time(site *config.Site, t time.Time) string { return t.In(site.Location()).Format("2 Jan 15:04") }
