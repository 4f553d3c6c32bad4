package forecast

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// settingTolerance is how far a device's own strokes or level may be from the
// command before its setting is suspected; strokes are whole numbers, so at
// least minStrokes must have been due.
const (
	settingTolerance = 0.10
	minStrokes       = 16
)

// counted compares what the device counts with what it was told. It can prove
// missed pulses or a wrong setting, never delivery.
func (p *pass) counted(ctx context.Context, w *work) error {
	if !w.priced {
		return nil
	}
	var out Counted
	some := false
	from := p.at.AddDate(0, 0, -p.opt.WindowDays)
	if w.from.After(from) {
		from = w.from
	}
	if w.setting.Pacing == config.PacingPulse && w.pulsesSeen {
		expected, got, ok, err := p.pulses(ctx, w, from)
		if err != nil {
			return err
		}
		if ok {
			some = true
			out.ExpectedPulses, out.CountedPulses = expected, got
			out.MissedPulses = math.Max(0, expected-got)
			out.Why = fmt.Sprintf("%.0f pulses counted, %.0f expected by plan and run-hours", got, expected)
			if w.point.Plan.PulsesPerDay > 0 {
				out.Why = fmt.Sprintf("%.0f pulses counted, %.0f expected by plan", got, expected)
			}
		}
	}
	if countsSeen(w.cells) {
		some = true
		var strokes, told float64
		for i := range w.cells {
			c := &w.cells[i]
			// Only days seen whole on both sides compare like with like.
			if c.countedOK < 0.99 || c.known < 0.99 || !c.priced || c.from.Before(from) {
				continue
			}
			strokes, told = strokes+c.counted, told+c.cm3
		}
		if each := w.params.Scatter / 0.01; told >= minStrokes*each && each > 0 {
			if ratio := strokes / told; math.Abs(ratio-1) > settingTolerance && math.Abs(strokes-told) > 2*each {
				out.SettingSuspect = true
				out.Why = joinWhy(out.Why, fmt.Sprintf("the device's own strokes make %.1f cm3, the setting x duty %.1f: the setting may differ from the register's, or strokes are missed", strokes, told))
			}
		}
	}
	if n := len(w.sights.counted); n > 0 && w.LastChange != nil && w.capacity > 0 && len(w.track.Rises) == 0 {
		some = true
		l := w.sights.counted[n-1]
		told, known := commanded(w.cells, w.from, l.at)
		went := w.capacity - l.cm3
		limit := math.Max(settingTolerance*told, math.Max(2*l.scale, 0.03*w.capacity))
		if known > 0.95 && math.Abs(went-told) > limit {
			out.SettingSuspect = true
			out.Why = joinWhy(out.Why, fmt.Sprintf("the device's own display says that %.1f cm3 went out since the change, the setting x duty %.1f: pulses missed, display not set at the change, or another setting", went, told))
		}
	}
	if some {
		if out.Why == "" {
			out.Why = "what the device counts itself agrees with setting x duty, as far as it can be compared"
		}
		w.Counted = &out
	}
	return nil
}

// pulses compares counted pulses with what run-hours or days by plan make, over
// the days on which both were seen whole.
func (p *pass) pulses(ctx context.Context, w *work, from time.Time) (expected, got float64, ok bool, err error) {
	plan := w.point.Plan
	var hours []reading.Day
	if plan.PulsesPer100h > 0 {
		if hours, err = p.since(ctx, source{w.point.Machine, reading.Run}, p.site.Today(from)); err != nil {
			return 0, 0, false, err
		}
	} else if plan.PulsesPerDay <= 0 {
		return 0, 0, false, nil
	}
	types := p.behind(w.point.Machine)
	for i := range w.cells {
		c := &w.cells[i]
		whole := c.from.Equal(p.start(c.date)) && c.to.Equal(p.end(c.date))
		if !whole || c.known < 0.99 || c.from.Before(from) {
			continue
		}
		k := p.index(c.date)
		switch {
		case plan.PulsesPer100h > 0:
			h := dayOf(hours, k)
			if h.Known < 0.99 {
				continue
			}
			expected += h.Amount * plan.PulsesPer100h / 100
		case types[k] == config.ShutdownType:
			continue
		default:
			expected += plan.PulsesPerDay
		}
		got += c.duty
		ok = true
	}
	return expected, got, ok, nil
}

// doseGap finds the machine's run-hours since the dispenser's last counted dose,
// and how far apart doses are by plan.
func (p *pass) doseGap(ctx context.Context, w *work) error {
	each := 0.0
	if w.device != nil {
		if m := p.site.Model(w.device.Model); m != nil {
			each = m.CM3PerStroke
		}
	}
	switch {
	case !w.priced:
	case w.setting.Pacing == config.PacingPulse && w.point.Plan.PulsesPer100h > 0:
		v := 100 / w.point.Plan.PulsesPer100h
		w.DoseIntervalHours = &v
	case w.setting.Pacing == config.PacingRun && each > 0 && w.setting.CM3Per100h > 0:
		v := each / w.setting.CM3Per100h * 100
		w.DoseIntervalHours = &v
	}
	days, err := p.table(ctx, source{w.Device, reading.Dose})
	if err != nil || !ever(days) {
		return err
	}
	// The table's figure for today may hold what came after the instant asked
	// for: today is read up to it.
	last := len(days) - 1
	today, err := p.src.Amount(ctx, w.Device, reading.Dose, p.start(p.today), p.at)
	if err != nil {
		return fmt.Errorf("read doses of %s: %w", w.Device, err)
	}
	if today.Value <= 0 {
		last--
	}
	for last >= 0 && last < len(days)-1 && days[last].Amount <= 0 {
		last--
	}
	if last < 0 {
		return nil
	}
	date := p.first + civil.Date(last)
	// Within the last dose's day: halve until an hour is left.
	a, b := p.start(date), earlier(p.end(date), p.at)
	dose := source{w.Device, reading.Dose}
	for b.Sub(a) > time.Hour {
		mid := a.Add(b.Sub(a) / 2)
		got, err := p.src.Amount(ctx, dose.device, dose.kind, mid, b)
		if err != nil {
			return fmt.Errorf("read doses of %s: %w", w.Device, err)
		}
		if got.Value > 0 {
			a = mid
		} else {
			b = mid
		}
	}
	// Hours count only as far as the dispenser is heard: silence is not a
	// missed dose.
	seen, ok, err := p.src.Newest(ctx, w.Device, p.at)
	if err != nil {
		return fmt.Errorf("read when %s was last seen: %w", w.Device, err)
	}
	until := p.at
	if ok && seen.Before(until) {
		until = seen
	}
	if !ok || !b.Before(until) {
		zero := 0.0
		w.RunHoursSinceDose = &zero
		return nil
	}
	var h float64
	machine := source{w.point.Machine, reading.Run}
	runs, err := p.table(ctx, machine)
	if err != nil {
		return err
	}
	if !ever(runs) {
		return nil
	}
	for d := p.site.Today(b); d <= p.today; d++ {
		c := cell{date: d, from: later(p.start(d), b), to: earlier(p.end(d), until)}
		if !c.from.Before(c.to) {
			continue
		}
		got, err := p.amount(ctx, machine, runs, c, c.from.Equal(p.start(d)) && c.to.Equal(p.end(d)))
		if err != nil {
			return err
		}
		h += got.Value
	}
	w.RunHoursSinceDose = &h
	return nil
}
