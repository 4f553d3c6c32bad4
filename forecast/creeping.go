package forecast

import (
	"fmt"
	"math"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/drift"
)

const (
	// finest is up to how many standard deviations of its noise a scale's step may
	// be for its levels to be charted: rounding by more than that makes one
	// departure depend on the one before, and limits mean nothing then. Found by
	// simulation of daily levels (see the tests of the reservoir).
	finest = 3.0
	// leastDrift is the least departure of the ratio from 1 that is worth a look; a
	// proposal, as what a sound pump may be off.
	leastDrift = 0.05
	// headStart is the share of the limits with which charts begin anew (see
	// drift.Pair.Reset).
	headStart = 0.5
	// creepDays is how old the newest departure may be, as for verdicts.
	creepDays = 7
)

// charts are a fast and a slow one. Reference values and budget as in
// drift.Budget: together one false notice in fifty point-years; four changes of
// the reservoir a year are a proposal.
var charts = drift.Budget{PerYear: 0.02, Samples: 365, Starts: 4, Head: headStart}.Limits(0.5, 0.25)

// restart is where the charts of a point begin: after the fill's beginning and
// after delivery was back to usual.
func (p *pass) restart(w *work) int {
	began := w.began
	if t := w.track; t.Resumed >= 0 && t.Resumed < len(t.Steps) {
		began = w.times[t.Steps[t.Resumed]]
	}
	ago := int(p.today - p.site.Today(began))
	return min(max(0, commonDays-1-ago), commonDays)
}

// watched says that a point is one whose drift may be told: its levels are fine
// enough to chart, no verdict says more, and the ratio is off by enough to be
// worth a look. It keeps nearly all points from the charts.
func watched(s *State) bool {
	d := &s.Delivery
	return s.fine && len(s.deviations) > 0 && d.Ratio != nil && math.Abs(1-*d.Ratio) >= leastDrift &&
		(d.Verdict == AsPlanned || d.Verdict == TooEarly)
}

// creeping gives a watched point a notice where its own departures, without the
// area's daily median, have left its baseline. shared is the sign of the shift
// that the area has, 0 for none: that explains those of its points to the same
// side, of which finer levels show more of it than the median takes off.
func creeping(site *config.Site, s *State, median []float64, shared int, today civil.Date) {
	row := make([]float64, commonDays)
	newest := -1
	for d, z := range s.deviations {
		row[d] = float64(z)
		if d < s.restart {
			row[d] = math.NaN()
		} else if !math.IsNaN(row[d]) {
			newest = d
		}
	}
	if newest < commonDays-1-creepDays {
		return
	}
	head := 0.0
	if s.restart > 0 {
		head = headStart
	}
	own := drift.Own([][]float64{row}, median)[0]
	c, ok := drift.Creeping(own, charts, head)
	off := 1 - *s.Delivery.Ratio // above 0 for too little, as z
	if !ok || c.Sign == shared || off*float64(c.Sign) <= 0 {
		return
	}
	way := "low"
	if c.Sign < 0 {
		way = "high"
	}
	day, before := c.Since, ""
	if day < 0 {
		day = s.restart
		if day == 0 {
			before = " or before"
		}
	}
	since := (today - civil.Date(commonDays-1-day)).Start(site.Location()).Format("2 Jan")
	s.Row.Notices = append(s.Row.Notices, fmt.Sprintf("delivery has drifted %s since about %s%s, by about %.0f %% of what was commanded: not surely beyond the limit yet; look at it on the next round", way, since, before, 100*math.Abs(off)))
}
