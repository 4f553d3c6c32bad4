package forecast

import (
	"context"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/unit"
)

// plannedVolume is plan dose x actual duty of the machine in a window, nil where
// the plan or the duty is not known.
func (p *pass) plannedVolume(ctx context.Context, w *work, from, to time.Time) (*float64, error) {
	plan := w.point.Plan
	if plan.DoseCM3PerDay > 0 {
		v := plan.DoseCM3PerDay * p.ordinaryDays(w.point.Machine, from, to)
		return &v, nil
	}
	if plan.DoseCM3Per100h <= 0 {
		return nil, nil
	}
	hours, ok, err := p.hours(ctx, w, from, to)
	if err != nil {
		return nil, err
	}
	if !ok {
		// Without run-hours the controller's pulses stand for them.
		if w.usage.kind != reading.Pulse || plan.PulsesPer100h <= 0 {
			return nil, nil
		}
		var pulses float64
		for i := range w.cells {
			c := &w.cells[i]
			a, b := later(c.from, from), earlier(c.to, to)
			if a.Before(b) {
				pulses += c.duty * float64(b.Sub(a)) / float64(c.to.Sub(c.from))
			}
		}
		hours = pulses / plan.PulsesPer100h * 100
	}
	v := unit.CM3OfRunHours(plan.DoseCM3Per100h, hours)
	return &v, nil
}

// hours are the run-hours of a point's machine in a window; the unknown part is
// what is expected. Days that an end of the window cuts are shared out by time,
// as what was commanded on them is; the fill's own first day and today count as
// far as they belong to it. ok is false where nothing is known or expected.
func (p *pass) hours(ctx context.Context, w *work, from, to time.Time) (h float64, ok bool, err error) {
	machine := w.point.Machine
	look, err := p.machineOutlook(ctx, machine, w.point.Plan.HoursPerWeek)
	if err != nil {
		return 0, false, err
	}
	s := source{machine, reading.Run}
	if !look.known() {
		if seen, err := p.everSeen(ctx, s); err != nil || !seen {
			return 0, false, err
		}
	}
	from = later(from, p.edges[0])
	days, err := p.since(ctx, s, p.site.Today(from))
	if err != nil {
		return 0, false, err
	}
	types := p.behind(machine)
	for d := p.site.Today(from); d <= p.today; d++ {
		a, b := later(p.start(d), from), earlier(p.end(d), to)
		if !a.Before(b) {
			continue
		}
		c := cell{date: d, from: p.start(d), to: earlier(p.end(d), p.at)}
		if w.from.After(c.from) && !w.from.After(from) {
			c.from = w.from
		}
		got, err := p.amount(ctx, s, days, c, c.from.Equal(p.start(d)) && c.to.Equal(p.end(d)))
		if err != nil {
			return 0, false, err
		}
		share := float64(c.to.Sub(c.from)) / float64(p.end(d).Sub(p.start(d)))
		part := float64(b.Sub(a)) / float64(c.to.Sub(c.from))
		h += part * (got.Value + (1-got.Known)*share*look.day(types[p.index(d)], p.index(d)))
	}
	return h, true, nil
}

// ordinaryDays are the days of a window that are no planned shutdown, in parts.
func (p *pass) ordinaryDays(machine string, from, to time.Time) float64 {
	if from.Before(p.edges[0]) {
		from = p.edges[0]
	}
	types := p.behind(machine)
	n := 0.0
	for d := p.site.Today(from); d <= p.today; d++ {
		a, b := later(p.start(d), from), earlier(p.end(d), to)
		if a.Before(b) && types[p.index(d)] != config.ShutdownType {
			n += float64(b.Sub(a)) / float64(p.end(d).Sub(p.start(d)))
		}
	}
	return n
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
