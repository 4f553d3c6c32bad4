package board

import (
	"fmt"
	"strings"
	"time"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// axisDays is the length of the shared date axis: 16 weeks.
const axisDays = 16 * 7

// axis places dates on the shared axis. Positions are percentages of the
// width, so that one drawing fits every screen without being distorted.
type axis struct {
	From, To civil.Date
	Ticks    []tick // the first of each month
	Weeks    []pos  // Mondays
}

type tick struct {
	At    pos
	Label string
}

// pos is a place on the axis in percent, as an attribute of a drawing.
type pos float64

func (p pos) String() string { return trim(float64(p)) + "%" }

func trim(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
}

func newAxis(today civil.Date, days int) axis {
	a := axis{From: today, To: today + civil.Date(days)}
	for d := today; d < a.To; d++ {
		if d.Weekday() == time.Monday {
			a.Weeks = append(a.Weeks, a.at(d))
		}
		// A label needs room before the next one and the end.
		if d.Format("2") == "1" && a.To-d > 6 {
			a.Ticks = append(a.Ticks, tick{a.at(d), d.Format("Jan")})
		}
	}
	return a
}

// at is the place of the begin of a date, kept on the axis.
func (a axis) at(d civil.Date) pos {
	return pos(100 * float64(min(max(d, a.From), a.To)-a.From) / float64(a.To-a.From))
}

func (a axis) holds(d civil.Date) bool { return d >= a.From && d < a.To }

// bar is one point on the axis.
type bar struct {
	Some        bool // the forecast begins on the axis
	Left, Width pos
	Open        bool // goes on beyond the axis
	Likely      pos
	HasLikely   bool
	Cap         pos // thin line from the 2 % date on
	CapWidth    pos
	HasCap      bool
	Visits      []pos
	Beyond      bool // all of it lies beyond the axis
}

// draw places a forecast. An empty date is the day on which the volume is gone,
// so the bar takes in both of its end days.
func (a axis) draw(st *forecast.State, visits []civil.Date) bar {
	var b bar
	for _, d := range visits {
		if a.holds(d) {
			b.Visits = append(b.Visits, a.at(d))
		}
	}
	r := &st.Row
	if r.Withheld != "" || r.EmptyP10 == nil {
		b.Beyond = r.Withheld == "" && r.BeyondDays != nil
		return b
	}
	p10, end := *r.EmptyP10, a.To
	if r.EmptyP90 != nil {
		end = *r.EmptyP90 + 1
	}
	if p10 >= a.To {
		b.Beyond = true
		return b
	}
	b.Some, b.Open = true, end > a.To
	b.Left = a.at(p10)
	// An early date in the past still shows as a sliver at today.
	b.Width = max(a.at(max(end, a.From+1))-b.Left, 0.6)
	if p50 := r.EmptyP50; p50 != nil && *p50 < a.To {
		b.Likely, b.HasLikely = a.at(*p50)+pos(50/float64(a.To-a.From)), true
	}
	if st.ChanceBefore != nil {
		for d := a.From; d < p10; d++ {
			if st.ChanceBefore(d) >= 0.02 {
				b.Cap, b.HasCap = a.at(d), true
				b.CapWidth = b.Left - b.Cap
				break
			}
		}
	}
	return b
}

// visitsOf gives the planned visits of an area in a stretch of days.
func visitsOf(site *config.Site, area string, from, to civil.Date) []civil.Date {
	var out []civil.Date
	for from < to {
		v, ok := site.NextVisit(area, from)
		if !ok || v.Date >= to {
			break
		}
		out = append(out, v.Date)
		from = v.Date + 1
	}
	return out
}
