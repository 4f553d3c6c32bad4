package forecast

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/unit"
	"dwindle/forecast/reservoir"
)

// level is one sight of what is left.
type level struct {
	at    time.Time
	cm3   float64
	scale float64 // resolution, cm3
	noise float64 // sd beside it, cm3
	// top says that the scale shows full: it cannot show more, and a fill may
	// hold more.
	top bool
	// bottom says that it shows empty, which it goes on to do whatever is
	// commanded.
	bottom bool
}

// sights are the levels seen in a fill, in time order, by what they rest on.
type sights struct {
	measured []level
	counted  []level
	// scale and noise are the coarsest of the measured ones.
	scale, noise float64
	// person says that measured levels are a person's weighings alone.
	person bool
}

// Where the site file does not say how fine a level reads, a hundredth of the
// capacity for both is common practice for simple gauges.
const (
	assumedScale = 0.01
	assumedNoise = 0.005
)

// levels collects the sights of a point's levels between two instants.
func (p *pass) levels(ctx context.Context, pt *config.Point, from, until time.Time, capacity float64) (sights, error) {
	var out sights
	out.person = true
	for _, s := range p.records.stints[pt.ID] {
		a, b := from, until
		if s.from.After(a) {
			a = s.from
		}
		if !s.to.IsZero() && s.to.Before(b) {
			b = s.to
		}
		if !a.Before(b) {
			continue
		}
		samples, err := p.src.Levels(ctx, s.device, a, b)
		if err != nil {
			return out, fmt.Errorf("read levels of %s: %w", s.device, err)
		}
		evidence, info := config.EvidenceMeasured, config.ChannelInfo{}
		if d := p.site.Dispenser(s.device); d != nil {
			evidence, info = d.EvidenceOf("level")
		}
		if out.measured == nil {
			out.measured = p.room(len(samples))
		}
		for _, r := range samples {
			l, ok := p.inCM3(pt, r, capacity)
			if !ok {
				continue
			}
			if r.Quantity == reading.LevelCountLeft {
				set, ok := p.records.settingAt(p.site, s.device, r.At)
				if !ok || set.CM3PerPulse <= 0 {
					continue
				}
				l.cm3, l.scale = r.Value*set.CM3PerPulse, set.CM3PerPulse
				out.counted = append(out.counted, l)
				continue
			}
			l.scale, l.noise = resolution(info, p.usable(pt, capacity), capacity)
			full := p.usable(pt, capacity)
			if r.Quantity != reading.LevelPercent {
				full = math.Max(full, capacity)
			}
			l.top = l.cm3 >= full-l.scale/2
			l.bottom = l.cm3 <= l.scale/2
			if evidence != config.EvidenceMeasured {
				out.counted = append(out.counted, l)
				continue
			}
			out.measured = append(out.measured, l)
			out.person = false
		}
	}
	for _, f := range p.records.at(pt.ID) {
		if f.At.Before(from) || f.At.After(until) {
			continue
		}
		switch f.Kind {
		case reading.FactWeighing:
			// A weighing on site: a scale of a gram and how it is held; 1 % of
			// the capacity or 1 cm3, common practice.
			l := level{at: f.At, noise: math.Max(1, 0.01*capacity)}
			switch {
			case f.CM3 != nil:
				l.cm3 = *f.CM3
			case f.Grams != nil && p.density(pt) > 0:
				l.cm3 = unit.CM3FromGrams(*f.Grams, p.density(pt))
			default:
				continue
			}
			out.measured = append(out.measured, l)
		case reading.FactCountLeft:
			set, ok := p.records.settingAt(p.site, p.records.deviceAt(pt.ID, f.At), f.At)
			if ok && f.CountLeft != nil && set.CM3PerPulse > 0 {
				out.counted = append(out.counted, level{at: f.At, cm3: float64(*f.CountLeft) * set.CM3PerPulse, scale: set.CM3PerPulse})
			}
		}
	}
	order := func(a, b level) int { return a.at.Compare(b.at) }
	slices.SortStableFunc(out.measured, order)
	slices.SortStableFunc(out.counted, order)
	out.measured = lastOfDay(p, out.measured)
	for _, l := range out.measured {
		out.scale, out.noise = math.Max(out.scale, l.scale), math.Max(out.noise, l.noise)
	}
	out.person = out.person && len(out.measured) > 0
	return out, nil
}

// levelRooms is how many lists of levels of one point are in use at once: of its
// fill, and of two before.
const levelRooms = 3

// room gives room for so many levels. It may be used again for the next point.
func (p *pass) room(n int) []level {
	if p.rooms == levelRooms {
		return make([]level, 0, n)
	}
	r := &p.levelRoom[p.rooms]
	p.rooms++
	*r = slices.Grow((*r)[:0], n+1) // and what was weighed
	return *r
}

// lastOfDay keeps one sight a day: quantities of one sensor (percent and cm3)
// are not independent, and the chart's limits are set for daily readings. A
// finer sight of the day, such as a weighing, wins over a later coarse one.
func lastOfDay(p *pass, list []level) []level {
	out := list[:0]
	for _, l := range list {
		n := len(out)
		if n == 0 || p.site.Today(out[n-1].at) != p.site.Today(l.at) {
			out = append(out, l)
			continue
		}
		if spread(l) <= spread(out[n-1])*1.01 {
			out[n-1] = l
		}
	}
	return out
}

func spread(l level) float64 { return math.Sqrt(l.scale*l.scale/12 + l.noise*l.noise) }

// inCM3 turns a level reading into cm3; counts are left to the caller, who knows
// the setting.
func (p *pass) inCM3(pt *config.Point, r reading.Sample, capacity float64) (level, bool) {
	l := level{at: r.At}
	switch r.Quantity {
	case reading.LevelCM3:
		l.cm3 = r.Value
	case reading.LevelPercent:
		l.cm3 = r.Value / 100 * p.usable(pt, capacity)
	case reading.LevelGrams:
		d := p.density(pt)
		if d <= 0 {
			return l, false
		}
		l.cm3 = unit.CM3FromGrams(r.Value, d)
	case reading.LevelCountLeft:
	default:
		return l, false
	}
	return l, !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
}

// usable is the reservoir's usable volume, which percents refer to.
func (p *pass) usable(pt *config.Point, capacity float64) float64 {
	if r := p.site.Reservoir(pt.Reservoir); r != nil && r.UsableCM3 > 0 {
		return r.UsableCM3
	}
	return capacity
}

// density is that of the point's lubricant, g/cm3, 0 if not known.
func (p *pass) density(pt *config.Point) float64 {
	if l := p.site.Lubricant(pt.Lubricant); l != nil {
		return l.DensityGPerCM3
	}
	return 0
}

// resolution is how fine a declared level channel reads.
func resolution(info config.ChannelInfo, usable, capacity float64) (scale, noise float64) {
	scale, noise = info.StepCM3, info.SDCM3
	if scale <= 0 {
		scale = info.StepPercent / 100 * usable
	}
	if scale <= 0 {
		scale = assumedScale * capacity
	}
	if noise <= 0 {
		noise = math.Max(assumedNoise*capacity, 0.1*scale)
	}
	return scale, noise
}

// steps turns cells and measured levels into the stretches that the reservoir
// follows, one per cell, cut at the levels. at gives the time of each step's
// end. A scale that shows full says nothing until so much was commanded that
// even a generous fill should have left its top; one that shows empty again
// says nothing new.
func steps(cells []cell, levels []level, fillSD float64, channel config.ChannelInfo, sc *scratch) (out []reservoir.Step, at []time.Time) {
	out, at = sc.steps[:0], sc.times[:0]
	defer func() { sc.steps, sc.times = out, at }()
	k, told := 0, 0.0
	for i := range cells {
		c := &cells[i]
		whole := float64(c.to.Sub(c.from))
		done := c.from
		cut := func(to time.Time) reservoir.Step {
			f := float64(to.Sub(done)) / whole
			s := reservoir.Step{Commanded: f * c.cm3, Unknown: f * c.variance, Swapped: c.swapped && done.Equal(c.from)}
			if f < 1 {
				// Within a day the duty is not spread evenly.
				s.Unknown += f * (1 - f) / 6 * c.cm3 * c.cm3
			}
			if c.doseKnown > 0 {
				s.HasDose, s.Dose, s.DoseCommand = true, f*c.dose, f*c.doseKnown*c.cm3
				s.DoseSD = math.Max(0.02*s.Dose, math.Max(channel.StepCM3, channel.SDCM3))
			}
			done = to
			return s
		}
		for k < len(levels) && levels[k].at.Before(c.from) {
			k++
		}
		for ; k < len(levels) && !levels[k].at.After(c.to); k++ {
			l := levels[k]
			s := cut(l.at)
			told += s.Commanded
			stale := l.bottom && k > 0 && levels[k-1].bottom
			if !stale && (!l.top || told > 1.5*l.scale+2.5*fillSD) {
				s.HasLevel, s.Level, s.Scale, s.Noise = true, l.cm3, l.scale, l.noise
			}
			out, at = append(out, s), append(at, l.at)
		}
		if done.Before(c.to) {
			s := cut(c.to)
			told += s.Commanded
			out, at = append(out, s), append(at, c.to)
		}
	}
	return out, at
}
