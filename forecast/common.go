package forecast

import (
	"fmt"
	"math"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/drift"
	"dwindle/forecast/reservoir"
)

// Shared says that the measured points of an area have left their baselines
// together: cold, another batch of grease, a changed supply, rather than a fault
// of each.
type Shared struct {
	Area string
	// Since is the last day before it began, or the last that was not looked at.
	Since civil.Date
	// Less says that less goes out than before, else more.
	Less bool
	// Points is how many the newest day's median rests on.
	Points int
}

// commonDays is how far back days are compared over points.
const commonDays = 60

// deviations gives the standardised departures of the level from what a sound
// pump would have left, of the newest commonDays, today last, NaN for none; nil
// if there are none at all.
func (p *pass) deviations(w *work) []float32 {
	if w.sights.person {
		return nil
	}
	var out []float32
	for _, d := range reservoir.Deviations(w.track, w.steps) {
		// A step ends with its level: at the end of a day, or within.
		ago := int(p.today - p.site.Today(w.times[d.Step].Add(-1)))
		if ago < 0 || ago >= commonDays {
			continue
		}
		if out == nil {
			out = make([]float32, commonDays)
			for i := range out {
				out[i] = float32(math.NaN())
			}
		}
		out[commonDays-1-ago] = float32(d.Z)
	}
	return out
}

// sharedShifts looks for what the points of each area have in common, areas in
// register order, and says so beside the verdicts that it may explain.
func sharedShifts(site *config.Site, states []State, today civil.Date) []Shared {
	rows := map[string][][]float64{}
	for i := range states {
		if len(states[i].deviations) == 0 {
			continue
		}
		row := make([]float64, commonDays)
		for d, z := range states[i].deviations {
			row[d] = float64(z)
		}
		if m := site.Machine(states[i].Row.Machine); m != nil {
			rows[m.Area] = append(rows[m.Area], row)
		}
	}
	var out []Shared
	for _, a := range site.Areas {
		median, count := drift.Common(rows[a.ID])
		s, ok := drift.Shared(median, count)
		if !ok {
			continue
		}
		found := Shared{Area: a.ID, Since: today - civil.Date(commonDays-1-s.Since), Less: s.Sign > 0}
		for d := range median {
			if !math.IsNaN(median[d]) {
				found.Points = count[d]
			}
		}
		out = append(out, found)
		for i := range states {
			d := &states[i].Delivery
			m := site.Machine(states[i].Row.Machine)
			low := d.Verdict == Under || d.Verdict == NotDispensing
			if m != nil && m.Area == a.ID && (low && found.Less || d.Verdict == Over && !found.Less) {
				d.Why = joinWhy(d.Why, found.String())
			}
		}
	}
	return out
}

// String says it in words.
func (s Shared) String() string {
	what := "more"
	if s.Less {
		what = "less"
	}
	return fmt.Sprintf("the measured points of area %s together deliver %s since %s: look for a common cause", s.Area, what, s.Since)
}
