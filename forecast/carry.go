package forecast

import (
	"context"
	"math"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
	"dwindle/config/unit"
	"dwindle/forecast/reservoir"
)

// The pump and the line stay when a reservoir is changed. How many fills back
// are looked at, and how many days, is bounded: what was before says little
// about now, and each costs as much as the present one.
const (
	fillsBack = 2
	daysBack  = 400
)

// carried is what the fills before say about the delivery of the same dispenser
// at the same point, nil where nothing measured does.
func (p *pass) carried(ctx context.Context, w *work, sc *scratch) (*reservoir.Carried, error) {
	if w.LastChange == nil || w.LastChange.Kind != reading.FactChange {
		return nil, nil
	}
	var fills []reading.Fact
	end := *w.LastChange
	for range fillsBack {
		f := p.records.fillStart(w.point.ID, end.At.Add(-time.Nanosecond))
		if f == nil || f.At.Before(p.edges[0]) || p.today-p.site.Today(f.At) > civil.Date(daysBack) || !p.records.stayed(w.point.ID, w.Device, f.At, p.at) {
			break
		}
		fills = append(fills, *f)
		if end = *f; f.Kind != reading.FactChange {
			break // commissioned: another pump or line before
		}
	}
	var out *reservoir.Carried
	for i := len(fills) - 1; i >= 0; i-- {
		next := *w.LastChange
		if i > 0 {
			next = fills[i-1]
		}
		c, err := p.formerFill(ctx, w, fills[i], next, out, sc)
		if err != nil {
			return nil, err
		}
		if c != nil {
			out = c
		}
	}
	return out, nil
}

// formerFill follows one earlier fill to its end.
func (p *pass) formerFill(ctx context.Context, w *work, fill, next reading.Fact, carried *reservoir.Carried, sc *scratch) (*reservoir.Carried, error) {
	capacity := p.capacity(w.point, &fill)
	seen, err := p.levels(ctx, w.point, fill.At, next.At.Add(-time.Nanosecond), capacity)
	if err != nil || capacity <= 0 {
		return nil, err
	}
	// What was weighed in the old reservoir at the change is measured evidence
	// for all that went out of it.
	if l, ok := p.residual(w, next, capacity); ok {
		seen.measured = append(seen.measured, l)
		seen.scale, seen.noise = math.Max(seen.scale, l.scale), math.Max(seen.noise, l.noise)
	}
	if len(seen.measured) == 0 {
		return nil, nil
	}
	former := *w
	former.cells, err = p.cells(ctx, w.point, fill.At, next.At, w.usage, w.look, sc)
	if err != nil || !former.chargeable() || doseSeen(former.cells) {
		return nil, err
	}
	params := p.params(w, capacity, carried)
	params.PerYear = seen.perYear()
	st, times := steps(former.cells, seen.measured, params.FillSD, channelOf(w.device), sc)
	t := reservoir.Follow(params, st)
	from, n := 0, len(t.Readings)
	for from < n-1 && times[t.Steps[from]].Before(next.At.AddDate(0, 0, -p.opt.WindowDays)) {
		from++
	}
	j := reservoir.Judge(t, from)
	if !j.OK && n > 0 && seen.person {
		j = reservoir.FromFill(t.Fill, t.Readings[n-1], seen.scale, seen.noise)
	}
	return reservoir.Carry(t, j), nil
}

// residual is what a change found in the old reservoir.
func (p *pass) residual(w *work, change reading.Fact, capacity float64) (level, bool) {
	l := level{at: change.At, noise: math.Max(1, 0.01*capacity)}
	switch d := p.density(w.point); {
	case change.ResidualCM3 != nil:
		l.cm3 = *change.ResidualCM3
	case change.ResidualG != nil && d > 0:
		l.cm3 = unit.CM3FromGrams(*change.ResidualG, d)
	default:
		return l, false
	}
	return l, true
}
