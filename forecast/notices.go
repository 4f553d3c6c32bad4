package forecast

import (
	"fmt"
	"math"
	"time"
)

// unsureLeft is the standard deviation of what is left, as a share of the
// reservoir, above which a row says so; a proposal.
const unsureLeft = 0.05

// notices says what the filter found in the levels beside the figures.
func (p *pass) notices(w *work) {
	if n := len(w.track.Rises); n > 0 {
		rise := w.track.Rises[n-1]
		at, cm3 := w.times[rise.Step], rise.Level
		w.Row.LevelRose, w.Row.LevelRoseCM3 = &at, &cm3
		text := p.rose(at, cm3)
		w.Row.Notices = append(w.Row.Notices, text)
		w.Delivery.Why = joinWhy(w.Delivery.Why, text)
	}
	if n := len(w.sights.measured); w.sights.person && w.track.Checkpoint.Doubt && n > 0 {
		// A person may come by once a month: too long to wait for the second.
		l := w.sights.measured[n-1]
		w.Row.Notices = append(w.Row.Notices, fmt.Sprintf("the newest weighing, %.0f cm3 on %s, is far above what was left by the ones before: if the reservoir was changed, record it with `dwindle change`, else weigh again", l.cm3, p.shortDate(l.at)))
	}
	if text := p.displayRose(w); text != "" {
		w.Row.Notices = append(w.Row.Notices, text)
	}
	if text := p.jumped(w); text != "" {
		w.Row.Notices = append(w.Row.Notices, text)
	}
	r := &w.Row
	if r.RemainingSDCM3 == nil || w.capacity <= 0 || *r.RemainingSDCM3 <= unsureLeft*w.capacity {
		return
	}
	why := "nothing is measured since the change"
	if n := len(w.sights.measured); n > 0 {
		why = "no level since " + p.shortDate(w.sights.measured[n-1].at)
	}
	r.Notices = append(r.Notices, fmt.Sprintf("what is left is known to ± %.0f %% of the reservoir only (%s): look, or weigh it, and record it with `dwindle read`", 100**r.RemainingSDCM3/w.capacity, why))
}

// jumped says that the level jumped lately and is believed, where no verdict
// says what of it.
func (p *pass) jumped(w *work) string {
	n := len(w.track.Reopened)
	if n == 0 || w.Delivery.Verdict == Under || w.Delivery.Verdict == Over || w.Delivery.Verdict == NotDispensing {
		return ""
	}
	jump := w.track.Reopened[n-1]
	at := w.times[jump.Step]
	if p.at.Sub(at) > time.Duration(p.opt.WindowDays)*24*time.Hour {
		return ""
	}
	way, what := "fell", "lubricant was taken out or leaked"
	if jump.Shift > 0 {
		way, what = "rose", "the reservoir was topped up"
	}
	return fmt.Sprintf("about %s the level %s by %.0f cm3 against what was commanded, in three readings alike, and is believed: see whether %s, or the level sensor moved", p.shortDate(at), way, math.Abs(jump.Shift), what)
}

// displayRose says that the device's own display rose without a recorded
// change. It counts back from what somebody set it to, so that a rise is no
// evidence of what is in the reservoir: the forecast does not follow it.
func (p *pass) displayRose(w *work) string {
	list := w.sights.counted
	for i := len(list) - 1; i > 0; i-- {
		l, before := list[i], list[i-1]
		if least := math.Max(leastRise*w.capacity, 1.5*l.scale); w.capacity > 0 && l.cm3-before.cm3 >= least {
			return fmt.Sprintf("the device's own display rose to %.0f cm3 on %s without a recorded change: see whether the reservoir was changed, and record it with `dwindle change`", l.cm3, p.shortDate(l.at))
		}
	}
	return ""
}

// leastRise is the least rise of a display, as a share of the reservoir, that
// nobody explains by setting it right; a proposal, as for levels.
const leastRise = 0.1

// rose says that the level rose without a record.
func (p *pass) rose(at time.Time, cm3 float64) string {
	return fmt.Sprintf("the level rose to %.0f cm3 on %s without a recorded change: record it with `dwindle change`", math.Max(0, cm3), p.shortDate(at))
}

// shortDate is a day as people write it, with the year where it is another.
func (p *pass) shortDate(t time.Time) string {
	t = t.In(p.site.Location())
	if t.Year() != p.at.In(p.site.Location()).Year() {
		return t.Format("2 Jan 2006")
	}
	return t.Format("2 Jan")
}
