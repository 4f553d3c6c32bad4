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
	// Machines is how many the newest day's median rests on.
	Machines int
}

// commonDays is how far back days are compared over points.
const commonDays = 60

const (
	// leastMachines is how many must have a level on a day for what is common to
	// them to be told: a median of five withstands two that are at fault.
	leastMachines = 5
	// leastShift is the least mean shift that is worth a word, in standard
	// deviations of one level: levels of one point are not quite independent, and
	// small shifts may come from that.
	leastShift = 0.5
)

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
// register order, and says so beside the verdicts that it may explain. What is
// left of a point's own is looked at for a creeping drift.
func sharedShifts(site *config.Site, states []State, today civil.Date) []Shared {
	// Points of one machine share what is not known of its hours, so that a
	// machine counts as one.
	machines := map[string][][]float64{}
	for i := range states {
		if len(states[i].deviations) == 0 {
			continue
		}
		row := make([]float64, commonDays)
		for d, z := range states[i].deviations {
			row[d] = float64(z)
		}
		m := states[i].Row.Machine
		machines[m] = append(machines[m], row)
	}
	rows := map[string][][]float64{}
	for i := range site.Machines {
		if m := &site.Machines[i]; len(machines[m.ID]) > 0 {
			median, _ := drift.Common(machines[m.ID], 1)
			rows[m.Area] = append(rows[m.Area], median)
		}
	}
	of := map[string][]int{}
	for i := range states {
		if m := site.Machine(states[i].Row.Machine); m != nil && watched(&states[i]) {
			of[m.Area] = append(of[m.Area], i)
		}
	}
	var out []Shared
	for _, a := range site.Areas {
		median, count := drift.Common(rows[a.ID], leastMachines)
		s, ok := drift.Shared(median, count)
		if !ok || math.Abs(meanSince(median, s.Since)) < leastShift {
			s = drift.Shift{}
		}
		for _, i := range of[a.ID] {
			creeping(site, &states[i], median, s.Sign, today)
		}
		if s.Sign == 0 {
			continue
		}
		found := Shared{Area: a.ID, Since: today - civil.Date(commonDays-1-s.Since), Less: s.Sign > 0}
		for d := range median {
			if !math.IsNaN(median[d]) {
				found.Machines = count[d]
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

// meanSince is the mean of the days after one, without those that have none.
func meanSince(median []float64, day int) float64 {
	sum, n := 0.0, 0
	for _, m := range median[day+1:] {
		if !math.IsNaN(m) {
			sum, n = sum+m, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// String says it in words.
func (s Shared) String() string {
	what := "more"
	if s.Less {
		what = "less"
	}
	return fmt.Sprintf("the measured points of area %s together deliver %s since %s: look for a common cause", s.Area, what, s.Since)
}
