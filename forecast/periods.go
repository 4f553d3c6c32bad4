package forecast

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/config/unit"
	"dwindle/forecast/export"
)

// Period is a civil period over which days are added up.
type Period string

// The periods. Weeks are those of ISO 8601: they begin on Monday, and are not cut
// by a year's end.
const (
	ByDay   Period = "day"
	ByWeek  Period = "week"
	ByMonth Period = "month"
)

// of gives the first and last day of the period that a date is in.
func (p Period) of(d civil.Date) (first, last civil.Date) {
	switch p {
	case ByWeek:
		first = d - civil.Date((int(d.Weekday())+6)%7)
		return first, first + 6
	case ByMonth:
		t := d.Start(time.UTC)
		return civil.New(t.Year(), t.Month(), 1), civil.New(t.Year(), t.Month()+1, 1) - 1
	}
	return d, d
}

// each hands the periods from a first to a last date to fn, cut to these.
func (p Period) each(first, last civil.Date, fn func(a, b civil.Date) error) error {
	for d := first; d <= last; {
		_, end := p.of(d)
		end = min(end, last)
		if err := fn(d, end); err != nil {
			return err
		}
		d = end + 1
	}
	return nil
}

// UsageBy gives the rows of `export usage --by`: what every dispenser did at a
// point in each period, cut to the dates and to its stay there, as sums over the
// days of [Usage]. Dates, order and only are as there.
func UsageBy(ctx context.Context, site *config.Site, src Source, by Period, first, last civil.Date, yield func(export.UsagePeriod) error, only ...func(*config.Point) bool) error {
	p, err := newSpan(ctx, site, src, first, last)
	if err != nil {
		return err
	}
	return p.inOrder(ctx, only, func(p *pass, pt *config.Point) error {
		all, err := p.daily(ctx, pt, first)
		if err != nil {
			return fmt.Errorf("usage of point %s: %w", pt.ID, err)
		}
		days := all.joined()
		for len(days) > 0 {
			// One stay: the days of one dispenser in succession.
			n := 1
			for n < len(days) && days[n].row.Dispenser == days[0].row.Dispenser && days[n].from.Equal(days[n-1].to) {
				n++
			}
			stay := days[:n]
			days = days[n:]
			begin := stay[0].row.Date
			err := by.each(begin, stay[n-1].row.Date, func(a, b civil.Date) error {
				some := stay[a-begin : b-begin+1]
				s := all.sum(some, a, b)
				if s.blank() {
					return nil
				}
				return yield(export.UsagePeriod{
					Dispenser: some[0].row.Dispenser, Point: pt.ID, Machine: pt.Machine, From: a, To: b,
					RunHours: s.hours, Pulses: s.pulses, CommandedCM3: s.commanded, DeliveredCM3: s.delivered,
					Seen: share(s.seen, some[len(some)-1].to.Sub(some[0].from)), Flags: export.Flags(s.flags), Zone: some[0].row.Zone,
				})
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// DeliveryBy gives the rows of `export delivery --by`: planned, commanded and
// delivered volume of every point in each period, cut to the dates, over all its
// dispensers and fills. Of a plan per day only what lies before at counts.
// Dates, order and only are as for [Usage].
func DeliveryBy(ctx context.Context, site *config.Site, src Source, by Period, first, last civil.Date, at time.Time, yield func(export.DeliveryPeriod) error, only ...func(*config.Point) bool) error {
	p, err := newSpan(ctx, site, src, first, last)
	if err != nil {
		return err
	}
	return p.inOrder(ctx, only, func(p *pass, pt *config.Point) error {
		all, err := p.daily(ctx, pt, first)
		if err != nil {
			return fmt.Errorf("delivery of point %s: %w", pt.ID, err)
		}
		days := all.joined()
		slices.SortStableFunc(days, func(a, b pointDay) int { return a.from.Compare(b.from) })
		hours, err := p.table(ctx, source{pt.Machine, reading.Run})
		if err != nil {
			return err
		}
		return by.each(first, last, func(a, b civil.Date) error {
			i, _ := slices.BinarySearchFunc(days, a, func(d pointDay, a civil.Date) int { return int(d.row.Date - a) })
			n := i
			for n < len(days) && days[n].row.Date <= b {
				n++
			}
			s := all.sum(days[i:n], a, b)
			days = days[n:]
			if s.blank() {
				return nil
			}
			row := export.DeliveryPeriod{
				Point: pt.ID, Machine: pt.Machine, From: a, To: b, CommandedCM3: s.commanded, DeliveredCM3: s.delivered,
				Resolved: float64(s.both) / float64(b-a+1), Ratio: s.ratio, RatioSD: s.ratioSD, Evidence: string(config.EvidenceNone),
				Seen: share(s.seen, p.end(b).Sub(p.start(a))), Zone: p.site.Location().String(),
			}
			basis := row.DeliveredCM3
			if s.measured {
				row.Evidence = string(config.EvidenceMeasured)
			} else {
				basis = row.CommandedCM3
			}
			row.PlannedCM3 = p.plannedIn(pt, hours, s, a, b, at)
			if row.PlannedCM3 != nil && *row.PlannedCM3 > s.least && basis != nil {
				r := *basis / *row.PlannedCM3
				row.PlanRatio = &r
			}
			return yield(row)
		})
	})
}

// plannedIn is plan dose x use in a period, as far as observed, nil where the plan
// or the use is not known. Pulses stand for run-hours where the plan says how
// many there are.
func (p *pass) plannedIn(pt *config.Point, hours []reading.Day, s sum, a, b civil.Date, at time.Time) *float64 {
	plan := pt.Plan
	if plan.DoseCM3PerDay > 0 {
		v := plan.DoseCM3PerDay * p.ordinaryDays(pt.Machine, p.start(a), earlier(p.end(b), at))
		return &v
	}
	known, h := false, 0.0
	for d := a; d <= b; d++ {
		if x := dayOf(hours, p.index(d)); x.Known > 0 {
			known = true
			h += x.Amount
		}
	}
	if !known && s.pulses != nil && plan.PulsesPer100h > 0 {
		known, h = true, *s.pulses/plan.PulsesPer100h*100
	}
	if !known || plan.DoseCM3Per100h <= 0 {
		return nil
	}
	v := unit.CM3OfRunHours(plan.DoseCM3Per100h, h)
	return &v
}

// sum is what days come to.
type sum struct {
	hours, pulses, commanded, delivered *float64
	seen                                time.Duration
	flags                               reading.Flags
	// measured says that anything was measured at all.
	measured bool
	// both is the number of days whose delivered and commanded volume are known,
	// ratio that of the two.
	both           int
	ratio, ratioSD *float64
	// least is the volume that what was delivered can sensibly be compared with: 0
	// where nothing was measured.
	least float64
}

func (s *sum) blank() bool {
	return s.hours == nil && s.pulses == nil && s.commanded == nil && s.delivered == nil
}

// sum adds up days, which must be all that there are from a to b.
func (x *pointDays) sum(days []pointDay, a, b civil.Date) (s sum) {
	n := int(b-a) + 1
	// By day: what was measured to go out and what was told, and whether all of
	// it is known.
	type figures struct {
		commanded, dose float64
		told, dosed     bool
		parts           int
	}
	by := make([]figures, n)
	unpriced := false
	for i := range days {
		d := &days[i]
		s.hours, s.pulses, s.commanded = plus(s.hours, d.row.RunHours), plus(s.pulses, d.row.Pulses), plus(s.commanded, d.row.CommandedCM3)
		s.seen += time.Duration(d.row.Seen * float64(d.to.Sub(d.from)))
		s.flags |= d.flags
		unpriced = unpriced || d.unpriced
		f := &by[d.row.Date-a]
		f.told = d.told && (f.parts == 0 || f.told)
		f.dosed = d.byDose && d.fellOK && (f.parts == 0 || f.dosed)
		f.commanded += d.commanded
		f.dose += d.fell
		f.parts++
	}
	if unpriced {
		s.commanded = nil
	}
	out, runs, covered := 0.0, 0, 0 // of the whole
	var ratioOut, ratioTold, each, largest float64
	ratioRuns := 0
	for i := range by {
		if f := &by[i]; f.dosed {
			s.measured = true
			covered++
			out += f.dose
			largest = x.each
			if f.told {
				s.both++
				ratioOut += f.dose
				ratioTold += f.commanded
				each = x.each
			}
		}
	}
	end, endTold := civil.Date(math.MinInt32), civil.Date(math.MinInt32)
	i, _ := slices.BinarySearchFunc(x.spans, a, func(p span, a civil.Date) int { return int(p.last - a) })
	for _, p := range x.spans[i:] {
		if p.before > b {
			break
		}
		s.measured = true
		if p.before < a-1 || p.last > b {
			continue
		}
		dosed := false
		for d := p.before + 1; d <= p.last; d++ {
			dosed = dosed || by[d-a].dosed
		}
		if dosed {
			continue // the doses are the better measure
		}
		commanded, told := x.between(p)
		covered += p.days()
		out += p.cm3
		// Within a run of spans the readings between take themselves out of the sum.
		if p.before != end {
			runs++
		}
		end = p.last
		if told {
			s.both += p.days()
			ratioOut += p.cm3
			ratioTold += commanded
			if p.before != endTold {
				ratioRuns++
			}
			endTold = p.last
		}
	}
	allTold := !slices.ContainsFunc(by, func(f figures) bool { return !f.told })
	if covered == n && n > 0 {
		total := 0.0
		for i := range by {
			total += by[i].commanded
		}
		if runs == 0 || resolves(out, total, allTold, x.sd*math.Sqrt(float64(runs))) {
			v := math.Max(0, out)
			s.delivered = &v
		}
	}
	s.least = standsOut * max(x.sd*math.Sqrt(float64(runs)), largest)
	// As for a verdict by doses: two percent for the meter (common practice), and
	// one dose at either end.
	if sd := x.sd * math.Sqrt(float64(ratioRuns)); s.both > 0 && ratioTold > standsOut*max(sd, each) {
		r := math.Max(0, ratioOut/ratioTold)
		meter := 0.0
		if each > 0 {
			meter = math.Hypot(0.02*r, each/ratioTold/math.Sqrt(6))
		}
		v := math.Hypot(sd/ratioTold, meter)
		s.ratio, s.ratioSD = &r, &v
	}
	return s
}

// share is a part of a length of time.
func share(part, of time.Duration) float64 {
	if of <= 0 {
		return 0
	}
	return min(1, part.Seconds()/of.Seconds())
}
