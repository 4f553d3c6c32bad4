package forecast

import (
	"context"
	"fmt"
	"slices"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/export"
)

// Usage gives the rows of `export usage` from the first to the last date, both
// included, points in register order, days in order: what every dispenser did on
// every civil day it was at a point. It calls yield for each row and stops at
// its first error. Days of which nothing at all is known are left out, and so are
// points for which one of only does not hold.
func Usage(ctx context.Context, site *config.Site, src Source, first, last civil.Date, yield func(export.Usage) error, only ...func(*config.Point) bool) error {
	p, err := newSpan(ctx, site, src, first, last)
	if err != nil {
		return err
	}
	return p.inOrder(ctx, only, func(p *pass, pt *config.Point) error {
		all, err := p.daily(ctx, pt, first)
		if err != nil {
			return fmt.Errorf("usage of point %s: %w", pt.ID, err)
		}
		for _, d := range all.joined() {
			if !d.blank() {
				if err := yield(d.row); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// MachineDays gives the rows of `export machines`: the run-hours of each machine
// and civil day, machines in register order. Days of which nothing is known are
// left out, and so are machines for which one of only does not hold.
func MachineDays(ctx context.Context, site *config.Site, src Source, first, last civil.Date, yield func(export.MachineDay) error, only ...func(*config.Machine) bool) error {
	zone := site.Location().String()
	for i := range site.Machines {
		if !all(&site.Machines[i], only) {
			continue
		}
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
	if first-1 < p.first { // of the day before, what was commanded behind its last level
		p.first = first - 1
		p.edges = p.edges[:0]
		for d := p.first; d <= p.today+1; d++ {
			p.edges = append(p.edges, d.Start(site.Location()))
		}
	}
	return p, nil
}

// all says that every condition holds.
func all[T any](x *T, only []func(*T) bool) bool {
	return !slices.ContainsFunc(only, func(holds func(*T) bool) bool { return !holds(x) })
}

// inOrder hands each point for which all of only holds, in register order, to fn
// with what to work it out with.
func (p *shared) inOrder(ctx context.Context, only []func(*config.Point) bool, fn func(*pass, *config.Point) error) error {
	var points []*config.Point
	for i := range p.site.Points {
		if pt := &p.site.Points[i]; all(pt, only) {
			points = append(points, pt)
		}
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
