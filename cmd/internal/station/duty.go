package station

import (
	"context"
	"fmt"
	"time"

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
	for i := range v.Site.Machines {
		m := &v.Site.Machines[i]
		if !m.HasRunSignal() {
			continue
		}
		s, err := v.series(ctx, m.ID, m.ID, reading.Run, last)
		if err != nil {
			return nil, err
		}
		s.MaxPerDay = 24
		s.Plan = plannedHours(v.Site, m.ID)
		if len(s.Days) > 0 {
			out = append(out, s)
		}
	}
	for i := range v.Site.Dispensers {
		d := &v.Site.Dispensers[i]
		set, ok := v.Site.SettingAt(d.ID, at)
		if !ok || set.Pacing != config.PacingPulse {
			continue
		}
		machine := ""
		var plan *duty.Plan
		if p := v.Site.Point(d.Point); p != nil {
			machine = p.Machine
			plan = plannedPulses(p)
		}
		s, err := v.series(ctx, d.ID, machine, reading.Pulse, last)
		if err != nil {
			return nil, err
		}
		s.Plan = plan
		if len(s.Days) > 0 {
			out = append(out, s)
		}
	}
	return out, nil
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

func (v *View) series(ctx context.Context, device, machine string, kind reading.Kind, last civil.Date) (score.Series, error) {
	days, err := v.History.Days(ctx, device, kind, civil.New(2020, time.January, 1), last)
	if err != nil || len(days) == 0 {
		if err != nil {
			err = fmt.Errorf("read daily duty of %s: %w", device, err)
		}
		return score.Series{}, err
	}
	s := score.Series{Name: device, Unit: machine, First: days[0].Date}
	next := days[0].Date
	for _, d := range days {
		for ; next < d.Date; next++ {
			s.Days = append(s.Days, duty.Day{Type: v.Site.DayType(machine, next)})
		}
		s.Days = append(s.Days, duty.Day{Type: v.Site.DayType(machine, d.Date), Amount: d.Amount, Seen: d.Seen})
		next++
	}
	for d := next; d < next+horizonDays; d++ {
		s.After = append(s.After, v.Site.DayType(machine, d))
	}
	return s, nil
}
