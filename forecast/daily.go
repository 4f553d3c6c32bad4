package forecast

import (
	"context"
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/export"
)

// pointDay is one day of a dispenser at a point, or a part of one between changes
// of its setting, with its figures as numbers for sums and regressions.
type pointDay struct {
	row      export.Usage
	from, to time.Time
	flags    reading.Flags
	hours    float64
	hoursOK  bool // all of them are known
	// commanded is known for all of it if told, and for the part that was seen
	// otherwise; unpriced says that there was use without a known setting.
	commanded      float64
	told, unpriced bool
	// fell is the measured dose, or the fall of a measured level since the day
	// before, where both days have one and no reservoir was changed between.
	fell           float64
	fellOK, byDose bool
}

// blank says that nothing at all is known.
func (d *pointDay) blank() bool {
	return d.row.RunHours == nil && d.row.Pulses == nil && d.row.CommandedCM3 == nil && d.row.DeliveredCM3 == nil
}

// pointDays are the days of a point, those of which nothing is known too.
type pointDays struct {
	parts []pointDay             // by piece, then by day
	told  map[civil.Date]float64 // cm3 commanded on each day of which it is known; see joined
	spans []span                 // between measured levels
	fall  map[civil.Date]float64 // of one day, but for weighings
	sd    float64                // of the difference of two measured levels, cm3
	each  float64                // the largest dose that was measured one by one, cm3
	first civil.Date             // asked for; the parts begin a day before
	start func(civil.Date) time.Time
}

// levelsBefore is how many days before the first one a level is looked for, from
// which the first fall is counted.
const levelsBefore = 31

// daily works out a point's days from a date on.
func (p *pass) daily(ctx context.Context, pt *config.Point, first civil.Date) (out pointDays, err error) {
	hours, err := p.table(ctx, source{pt.Machine, reading.Run})
	if err != nil {
		return out, err
	}
	from := p.start(first - 1)
	out.first = first
	sights, err := p.levels(ctx, pt, from.AddDate(0, 0, -levelsBefore), p.at, p.usable(pt, 0))
	if err != nil {
		return out, err
	}
	out.start = p.start
	out.sd = math.Sqrt2 * math.Hypot(sights.scale/math.Sqrt(12), sights.noise)
	out.spans = p.spans(pt, sights, first)
	out.fall = map[civil.Date]float64{}
	for _, s := range out.spans {
		if s.days() == 1 && !sights.person {
			out.fall[s.last] = s.cm3
		}
	}
	zone := p.site.Location().String()
	for _, pc := range p.records.pieces(p.site, pt.ID, from, p.at.Add(1)) {
		u, err := p.usageOf(ctx, pt, pc.device, pc.setting.Setting)
		if err != nil {
			return out, err
		}
		used, err := p.table(ctx, u.source)
		if err != nil {
			return out, err
		}
		pulses, err := p.table(ctx, source{pc.device, reading.Pulse})
		if err != nil {
			return out, err
		}
		dose, measured, _, err := p.doses(ctx, pc.device)
		if err != nil {
			return out, err
		}
		if measured {
			each, _ := p.dose(p.site.Dispenser(pc.device), pc.setting.Setting)
			out.each = max(out.each, each)
		}
		for d := p.site.Today(pc.from); d <= p.today && p.start(d).Before(pc.to); d++ {
			k := p.index(d)
			a, b := later(p.start(d), pc.from), earlier(p.end(d), pc.to)
			whole := a.Equal(p.start(d)) && b.Equal(p.end(d))
			c := cell{date: d, from: a, to: b}
			get := func(s source, days []reading.Day) (reading.Amount, error) { return p.amount(ctx, s, days, c, whole) }
			duty, err := get(u.source, used)
			if err != nil {
				return out, err
			}
			day := pointDay{
				row:  export.Usage{Dispenser: pc.device, Point: pt.ID, Machine: pt.Machine, Date: d, Seen: duty.Seen, Zone: zone},
				from: a, to: b, flags: duty.Flags, unpriced: duty.Known > 0 && duty.Value > 0 && !pc.known,
			}
			if u.kind != reading.Run || u.byHours || dayOf(hours, k).Known > 0 {
				h, err := get(source{pt.Machine, reading.Run}, hours)
				if err != nil {
					return out, err
				}
				if h.Known > 0 {
					v := h.Value
					day.row.RunHours, day.hours, day.hoursOK = &v, v, h.Known > 0.99
				}
			}
			if dayOf(pulses, k).Known > 0 {
				n, err := get(source{pc.device, reading.Pulse}, pulses)
				if err != nil {
					return out, err
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
					return out, err
				}
				if v := g.Value; g.Known > 0.99 {
					day.row.DeliveredCM3 = &v
					day.fell, day.fellOK, day.byDose = v, true, true
				}
				day.flags |= g.Flags
			} else if f, ok := out.fall[d]; ok && whole {
				day.fell, day.fellOK = f, true
				day.resolve(out.sd)
			}
			day.row.Flags = export.Flags(day.flags)
			out.parts = append(out.parts, day)
		}
	}
	return out, nil
}

// resolve shows a day's fall of the level where the day can be resolved.
func (d *pointDay) resolve(sd float64) {
	if resolves(d.fell, d.commanded, d.told, sd) {
		v := math.Max(0, d.fell)
		d.row.DeliveredCM3 = &v
	}
}

// standsOut is how many times as large as what its measurement is good to a volume
// has to be to be shown, so that it is known to a fifth; a proposal.
const standsOut = 5

// resolves says that a measured difference of levels is worth showing: it, or
// what was commanded beside it, stands out of what two readings are good to. To
// go by the difference alone would show the large ones only, and days of a
// blocked line never.
func resolves(fell, commanded float64, told bool, sd float64) bool {
	return fell > standsOut*sd || told && commanded > standsOut*sd
}

// joined are the days asked for, with the parts of a dispenser on one day put together.
func (x *pointDays) joined() []pointDay {
	out := make([]pointDay, 0, len(x.parts))
	for i := range x.parts {
		if n := len(out); n > 0 && out[n-1].row.Dispenser == x.parts[i].row.Dispenser && out[n-1].row.Date == x.parts[i].row.Date && out[n-1].to.Equal(x.parts[i].from) {
			out[n-1].join(&x.parts[i])
			continue
		}
		out = append(out, x.parts[i])
	}
	unknown := map[civil.Date]bool{}
	x.told = map[civil.Date]float64{}
	for i := range out {
		d := &out[i]
		if d.unpriced {
			d.row.CommandedCM3, d.told = nil, false
		}
		x.told[d.row.Date] += d.commanded
		unknown[d.row.Date] = unknown[d.row.Date] || !d.told
		whole := d.from.Equal(x.start(d.row.Date)) && d.to.Equal(x.start(d.row.Date+1))
		if f, ok := x.fall[d.row.Date]; ok && whole && !d.fellOK && !d.byDose {
			d.fell, d.fellOK = f, true
			d.resolve(x.sd)
		}
	}
	for d, not := range unknown {
		if not {
			delete(x.told, d)
		}
	}
	return slices.DeleteFunc(out, func(d pointDay) bool { return d.row.Date < x.first })
}

// join adds the part of a day that follows.
func (d *pointDay) join(e *pointDay) {
	a, b := d.to.Sub(d.from).Seconds(), e.to.Sub(e.from).Seconds()
	d.row.Seen = (a*d.row.Seen + b*e.row.Seen) / (a + b)
	d.to = e.to
	d.flags |= e.flags
	d.row.Flags = export.Flags(d.flags)
	d.row.RunHours, d.row.Pulses = plus(d.row.RunHours, e.row.RunHours), plus(d.row.Pulses, e.row.Pulses)
	d.row.CommandedCM3 = plus(d.row.CommandedCM3, e.row.CommandedCM3)
	d.hours, d.hoursOK = d.hours+e.hours, d.hoursOK && e.hoursOK
	d.commanded, d.told, d.unpriced = d.commanded+e.commanded, d.told && e.told, d.unpriced || e.unpriced
	d.fellOK = d.fellOK && e.fellOK
	d.byDose = d.byDose || e.byDose
	d.fell += e.fell
	d.row.DeliveredCM3 = nil
	if d.fellOK {
		v := d.fell
		d.row.DeliveredCM3 = &v
	}
}

// plus adds what is known; nil where nothing is.
func plus(a, b *float64) *float64 {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	}
	v := *a + *b
	return &v
}

// span is the fall of a measured level from the last reading of one day to the
// last one of a later day, with no change of the reservoir between.
type span struct {
	before, last civil.Date
	cm3          float64
	rest, part   float64 // share of the first day that is behind the first reading, of the last that is before the last
}

// days is how many days end within a span.
func (s span) days() int { return int(s.last - s.before) }

// spans are the falls between successive measured levels of a point that end on a
// date or later; pairs with a change between are left out, and those that do not
// tell of the last day because the dispenser was swapped later on it.
func (p *pass) spans(pt *config.Point, s sights, first civil.Date) (out []span) {
	for i := 1; i < len(s.measured); i++ {
		a, b := s.measured[i-1], s.measured[i]
		x := span{before: p.site.Today(a.at), last: p.site.Today(b.at), cm3: a.cm3 - b.cm3}
		if x.last < first || x.days() < 1 || p.changedBetween(pt.ID, a, b) || p.refilledAt(pt, s.measured, i) ||
			p.records.deviceAt(pt.ID, b.at) != p.records.deviceAt(pt.ID, p.end(x.last).Add(-1)) {
			continue
		}
		x.rest, x.part = 1-p.elapsed(a.at), p.elapsed(b.at)
		out = append(out, x)
	}
	return out
}

// elapsed is the share of its civil day that an instant has behind it.
func (p *pass) elapsed(at time.Time) float64 {
	loc := p.site.Location()
	d := p.site.Today(at)
	return at.Sub(d.Start(loc)).Seconds() / d.Length(loc).Seconds()
}

// between is what was commanded between the readings of a span, with the use of
// the first and last day spread evenly over them; ok is false where it is not
// known.
func (x *pointDays) between(s span) (cm3 float64, ok bool) {
	for d := s.before; d <= s.last; d++ {
		share := 1.0
		switch d {
		case s.before:
			share = s.rest
		case s.last:
			share = s.part
		}
		told, ok := x.told[d]
		if !ok && share > 0.001 {
			return 0, false
		}
		cm3 += share * told
	}
	return cm3, true
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
