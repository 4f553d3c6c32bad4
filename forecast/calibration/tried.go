package calibration

import (
	"math"
	"slices"

	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
	"dwindle/forecast/virtual"
)

// Tried is how the forecasts of one series would have done on its own past.
type Tried struct {
	Since         civil.Date // of the first reservoir
	Cases         int        // reservoirs that ended
	Early, Inside int        // ended before P10, from P10 to P90
	Off           float64    // |P50 - truth| over truth, the middle one of all
}

// triedSizes are the reservoirs tried, in days of the duty before; triedEvery is
// the number of days between origins.
var triedSizes = [...]float64{10, 30, 60}

const triedEvery = 14

// Try starts virtual reservoirs on the last days of a series, so many back, and
// says how their forecasts did. Each knew the days before it only, but all the
// table of today, which may have learned from later days.
func (t *Table) Try(s *virtual.Series, back int) Tried {
	var out Tried
	var off []float64
	state := t.Rules(s.MaxPerDay).State()
	for origin, day := range s.Days {
		left := len(s.Days) - origin
		if left <= back && left%triedEvery == 0 && origin >= duty.MinDays {
			m := state.Model(s.Plan, t.Fleet)
			trailing := s.Trailing(origin)
			if _, ok := KindOf(&m); ok && trailing > 0 {
				ahead, scales := s.Ahead(origin, horizon), s.Scales(origin, horizon)
				law := t.Law(&m, m.Forecast(ahead, 1, scales...), ahead, 1, scales...)
				for _, size := range triedSizes {
					truth, ok := s.Passage(origin, size*trailing)
					if !ok || !(truth > 0) || ample*size > float64(left) {
						continue
					}
					if out.Cases == 0 {
						out.Since = s.First + civil.Date(origin)
					}
					out.Cases++
					early, likely, late := law.Range(depletion.Budget{Mean: size * trailing})
					switch {
					case truth < early:
						out.Early++
					case truth <= late:
						out.Inside++
					}
					off = append(off, math.Abs(math.Min(likely, horizon)-truth)/truth)
				}
			}
		}
		state.Add(day)
	}
	if len(off) > 0 {
		slices.Sort(off)
		out.Off = off[len(off)/2]
	}
	return out
}
