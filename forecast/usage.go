package forecast

import (
	"context"
	"fmt"
	"math"
	"slices"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/export"
)

// Usage gives the rows of `export usage` from the first to the last date, both
// included, points in register order, days in order: what every dispenser did on
// every civil day it was at a point. It calls yield for each row and stops at
// its first error. Days of which nothing at all is known are left out.
func Usage(ctx context.Context, site *config.Site, src Source, first, last civil.Date, yield func(export.Usage) error) error {
	p, err := newSpan(ctx, site, src, first, last)
	if err != nil {
		return err
	}
	return p.inOrder(ctx, func(p *pass, pt *config.Point) error {
		days, err := p.daily(ctx, pt, first)
		if err != nil {
			return fmt.Errorf("usage of point %s: %w", pt.ID, err)
		}
		for _, d := range days {
			if err := yield(d.row); err != nil {
				return err
			}
		}
		return nil
	})
}

// MachineDays gives the rows of `export machines`: the run-hours of each machine
// and civil day, machines in register order. Days of which nothing is known are
// left out.
func MachineDays(ctx context.Context, site *config.Site, src Source, first, last civil.Date, yield func(export.MachineDay) error) error {
	zone := site.Location().String()
	for i := range site.Machines {
		id := site.Machines[i].ID
		days, err := src.Days(ctx, id, reading.Run, first, last)
		if err != nil {
			return fmt.Errorf("read run days of %s: %w", id, err)
		}
		for _, d := range days {
			row := export.MachineDay{Machine: id, Date: d.Date, RunHours: d.Amount, Seen: d.Seen, Flags: export.Flags(d.Flags), Zone: zone}
			if err := yield(row); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

// newSpan is a pass at the end of the last date, for tables over whole days.
func newSpan(ctx context.Context, site *config.Site, src Source, first, last civil.Date) (*shared, error) {
	if last < first {
		return nil, fmt.Errorf("dates %s to %s: the first must not be after the last", first, last)
	}
	// A moment before midnight: the last date is still "today".
	p, err := newShared(ctx, site, src, last.End(site.Location()).Add(-1), Options{})
	if err != nil {
		return nil, err
	}
	if first < p.first {
		p.first = first
		p.edges = p.edges[:0]
		for d := p.first; d <= p.today+1; d++ {
			p.edges = append(p.edges, d.Start(site.Location()))
		}
	}
	return p, nil
}

// inOrder hands each point, in register order, to fn with what to work it out
// with.
func (p *shared) inOrder(ctx context.Context, fn func(*pass, *config.Point) error) error {
	points := make([]*config.Point, len(p.site.Points))
	for i := range points {
		points[i] = &p.site.Points[i]
	}
	for some := range slices.Chunk(points, chunkPoints) {
		err := func() error {
			p, err := p.on(ctx, some...)
			if err != nil {
				return err
			}
			defer p.Close()
			for _, pt := range some {
				if err := ctx.Err(); err != nil {
					return err
				}
				if err := fn(p, pt); err != nil {
					return err
				}
			}
			return nil
		}()
		if err != nil {
			return err
		}
	}
	return nil
}

// pointDay is one day of a point, with its hours as a number for regressions.
type pointDay struct {
	row       export.Usage
	hours     float64
	hoursOK   bool
	commanded float64
	told      bool
	// fell is the fall of a measured level since the day before, where both
	// days have one and no reservoir was changed between.
	fell   float64
	fellOK bool
}

// daily works out a point's days from a date on, one row per dispenser and day.
func (p *pass) daily(ctx context.Context, pt *config.Point, first civil.Date) ([]pointDay, error) {
	hours, err := p.table(ctx, source{pt.Machine, reading.Run})
	if err != nil {
		return nil, err
	}
	from := p.start(first)
	sights, err := p.levels(ctx, pt, from, p.at, p.usable(pt, 0))
	if err != nil {
		return nil, err
	}
	fall, zone := p.falls(pt, sights), p.site.Location().String()
	var out []pointDay
	for _, pc := range p.records.pieces(p.site, pt.ID, from, p.at.Add(1)) {
		u, err := p.usageOf(ctx, pt, pc.device, pc.setting.Setting)
		if err != nil {
			return nil, err
		}
		used, err := p.table(ctx, u.source)
		if err != nil {
			return nil, err
		}
		pulses, err := p.table(ctx, source{pc.device, reading.Pulse})
		if err != nil {
			return nil, err
		}
		dose, measured, _, err := p.doses(ctx, pc.device)
		if err != nil {
			return nil, err
		}
		for d := p.site.Today(pc.from); d <= p.today && p.start(d).Before(pc.to); d++ {
			k := p.index(d)
			a, b := later(p.start(d), pc.from), earlier(p.end(d), pc.to)
			whole := a.Equal(p.start(d)) && b.Equal(p.end(d))
			c := cell{date: d, from: a, to: b}
			get := func(s source, days []reading.Day) (reading.Amount, error) { return p.amount(ctx, s, days, c, whole) }
			duty, err := get(u.source, used)
			if err != nil {
				return nil, err
			}
			day := pointDay{row: export.Usage{Dispenser: pc.device, Point: pt.ID, Machine: pt.Machine, Date: d, Seen: duty.Seen, Zone: zone}}
			flags := duty.Flags
			if u.kind != reading.Run || u.byHours || dayOf(hours, k).Known > 0 {
				h, err := get(source{pt.Machine, reading.Run}, hours)
				if err != nil {
					return nil, err
				}
				if h.Known > 0 {
					v := h.Value
					day.row.RunHours, day.hours, day.hoursOK = &v, v, h.Known > 0.99
				}
			}
			if dayOf(pulses, k).Known > 0 {
				n, err := get(source{pc.device, reading.Pulse}, pulses)
				if err != nil {
					return nil, err
				}
				if v := n.Value; n.Known > 0 {
					day.row.Pulses = &v
				}
			}
			if duty.Known > 0 && pc.known {
				v := duty.Value * u.perUnit
				day.row.CommandedCM3, day.commanded, day.told = &v, v, duty.Known > 0.99
			}
			if measured && dayOf(dose, k).Known > 0 {
				g, err := get(source{pc.device, reading.Dose}, dose)
				if err != nil {
					return nil, err
				}
				if v := g.Value; g.Known > 0.99 {
					day.row.DeliveredCM3 = &v
					day.fell, day.fellOK = v, true
				}
				flags |= g.Flags
			} else if f, ok := fall[d]; ok && whole {
				day.fell, day.fellOK = f, true
				// A day's fall is worth showing when it stands out of what two
				// readings are good to.
				if sd := math.Sqrt2 * math.Hypot(sights.scale/math.Sqrt(12), sights.noise); f > 5*sd {
					v := f
					day.row.DeliveredCM3 = &v
				}
			}
			day.row.Flags = export.Flags(flags)
			if day.row.RunHours != nil || day.row.Pulses != nil || day.row.CommandedCM3 != nil || day.row.DeliveredCM3 != nil {
				out = append(out, day)
			}
		}
	}
	return out, nil
}

// falls are the day-to-day falls of measured levels, by the later day's date;
// pairs with a change between, or with a day missing, are left out.
func (p *pass) falls(pt *config.Point, s sights) map[civil.Date]float64 {
	out := map[civil.Date]float64{}
	if s.person {
		return out
	}
	for i := 1; i < len(s.measured); i++ {
		a, b := s.measured[i-1], s.measured[i]
		d := p.site.Today(b.at)
		if d != p.site.Today(a.at)+1 || p.changedBetween(pt.ID, a, b) || p.refilledAt(pt, s.measured, i) {
			continue
		}
		out[d] = a.cm3 - b.cm3
	}
	return out
}

// refilledAt says that the level rose at a sight and stayed so, as after a change
// that nobody recorded: no fall is known then. A wild level is left alone, since
// its rise and its fall even out.
func (p *pass) refilledAt(pt *config.Point, list []level, i int) bool {
	a, b := list[i-1], list[i]
	least := math.Max(leastRise*p.usable(pt, 0), 1.5*b.scale)
	if least <= 0 || b.cm3-a.cm3 < least {
		return false
	}
	before := i < 2 || math.Abs(list[i-2].cm3-a.cm3) < least
	after := i+1 >= len(list) || math.Abs(list[i+1].cm3-b.cm3) < least
	return before && after
}

func (p *pass) changedBetween(point string, a, b level) bool {
	for _, f := range p.records.at(point) {
		if (f.Kind == reading.FactChange || f.Kind == reading.FactCommission || f.Kind == reading.FactSwap) && f.At.After(a.at) && !f.At.After(b.at) {
			return true
		}
	}
	return false
}
