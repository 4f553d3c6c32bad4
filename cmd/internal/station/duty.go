package station

import (
	"context"
	"fmt"
	"time"

	"dwindle/collector"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
	"dwindle/forecast/score"
)

// DutySeries gives the daily duty of every machine with a run signal and every
// pulse-paced dispenser up to the day before an instant, for backtests. Days
// that were not seen are there with nothing seen.
func (v *View) DutySeries(ctx context.Context, at time.Time) ([]score.Series, error) {
	last := v.Site.Today(at) - 1
	var out []score.Series
	for _, d := range duties(v.Site, at) {
		s, err := d.series(ctx, v.Site, v.History, civil.New(2020, time.January, 1), last)
		if err != nil {
			return nil, err
		}
		if len(s.Days) > 0 {
			out = append(out, s)
		}
	}
	return out, nil
}

// dutyOf names one daily duty: the hours of a machine or the pulses of a
// dispenser.
type dutyOf struct {
	device, machine string
	kind            reading.Kind
	most            float64 // a day, 0: no bound
	plan            *duty.Plan
	// steady: planned per day, so that the machine's work patterns do not tell.
	steady bool
}

// duties lists those of a site at an instant.
func duties(site *config.Site, at time.Time) []dutyOf {
	var out []dutyOf
	for i := range site.Machines {
		if m := &site.Machines[i]; m.HasRunSignal() {
			out = append(out, dutyOf{m.ID, m.ID, reading.Run, 24, plannedHours(site, m.ID), false})
		}
	}
	for i := range site.Dispensers {
		d := &site.Dispensers[i]
		set, ok := site.SettingAt(d.ID, at)
		if !ok || set.Pacing != config.PacingPulse {
			continue
		}
		x := dutyOf{device: d.ID, kind: reading.Pulse}
		if p := site.Point(d.Point); p != nil {
			x.machine, x.plan, x.steady = p.Machine, plannedPulses(p), p.Plan.PulsesPerDay > 0
		}
		out = append(out, x)
	}
	return out
}

// plannedHours is what a machine's points expect of it; nil where none says, or
// where they disagree.
func plannedHours(site *config.Site, machine string) *duty.Plan {
	perWeek := 0.0
	for i := range site.Points {
		p := &site.Points[i]
		if p.Machine != machine || !(p.Plan.HoursPerWeek > 0) {
			continue
		}
		if perWeek > 0 && p.Plan.HoursPerWeek != perWeek {
			return nil
		}
		perWeek = p.Plan.HoursPerWeek
	}
	if perWeek == 0 {
		return nil
	}
	return &duty.Plan{PerWeek: perWeek}
}

// plannedPulses is what a point expects of its dispenser.
func plannedPulses(p *config.Point) *duty.Plan {
	perWeek := 7 * p.Plan.PulsesPerDay
	if !(perWeek > 0) {
		perWeek = p.Plan.PulsesPer100h / 100 * p.Plan.HoursPerWeek
	}
	if !(perWeek > 0) {
		return nil
	}
	return &duty.Plan{PerWeek: perWeek}
}

// horizonDays is how far the calendar is given to a backtest.
const horizonDays = 400

// series reads a duty from one day to another, both included; one of which
// nothing is known has no days.
func (x dutyOf) series(ctx context.Context, site *config.Site, history *collector.History, first, last civil.Date) (score.Series, error) {
	days, err := history.Days(ctx, x.device, x.kind, first, last)
	if err != nil || len(days) == 0 {
		if err != nil {
			err = fmt.Errorf("read daily duty of %s: %w", x.device, err)
		}
		return score.Series{}, err
	}
	s := score.Series{Name: x.device, Unit: x.machine, First: days[0].Date, MaxPerDay: x.most, Plan: x.plan}
	next := days[0].Date
	for _, d := range days {
		for ; next < d.Date; next++ {
			s.Days = append(s.Days, duty.Day{Type: site.DayType(x.machine, next), Scale: x.scale(site, next)})
		}
		s.Days = append(s.Days, duty.Day{Type: site.DayType(x.machine, d.Date), Amount: d.Amount, Seen: d.Seen, Scale: x.scale(site, d.Date)})
		next++
	}
	for d := next; d < next+horizonDays; d++ {
		s.After = append(s.After, site.DayType(x.machine, d))
		if scale := x.scale(site, d); scale != 0 {
			s.AfterScales = append(s.AfterScales, make([]float32, int(d-next)-len(s.AfterScales))...)
			s.AfterScales = append(s.AfterScales, scale)
		}
	}
	return s, nil
}

// scale is the use that the work patterns plan for a date, 0 for an ordinary one.
func (x dutyOf) scale(site *config.Site, d civil.Date) float32 {
	if x.steady {
		return 0
	}
	if load := site.Load(x.machine, d); load != 1 {
		return float32(load)
	}
	return 0
}
