package forecast

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/reservoir"
)

// cell is a stretch of at most one civil day with one dispenser and one setting:
// what was commanded in it.
type cell struct {
	date     civil.Date
	from, to time.Time
	duty     float64 // in the piece's duty unit, the unknown part expected
	cm3      float64 // commanded
	variance float64 // of cm3, for duty that was not seen
	known    float64 // share of the stretch with known duty
	priced   bool    // a setting was in force
	swapped  bool    // another dispenser is there from its beginning on

	dose      float64 // cm3 measured, where a dose channel is declared measured
	doseKnown float64
	counted   float64 // cm3 by the device's own stroke count
	countedOK float64
}

// scratch is what a worker reuses from point to point.
type scratch struct {
	work  work
	cells []cell
	steps []reservoir.Step
	times []time.Time
	law   depletion.Mixture
}

// usage says where a dispenser's duty comes from.
type usage struct {
	source
	perUnit float64 // cm3 per h or per pulse
	// byHours says that pulses are not reported and follow from run-hours and
	// the planned pulses per 100 h.
	byHours bool
}

// usageOf finds the duty that paces a dispenser with a setting.
func (p *pass) usageOf(ctx context.Context, pt *config.Point, device string, s config.Setting) (usage, error) {
	if s.Pacing != config.PacingPulse {
		return usage{source: source{pt.Machine, reading.Run}, perUnit: rate(s)}, nil
	}
	u := usage{source: source{device, reading.Pulse}, perUnit: rate(s)}
	if pt.Plan.PulsesPer100h <= 0 {
		return u, nil
	}
	if pulses, err := p.everSeen(ctx, u.source); err != nil || pulses {
		return u, err
	}
	if hours, err := p.everSeen(ctx, source{pt.Machine, reading.Run}); err != nil || !hours {
		return u, err
	}
	return usage{source: source{pt.Machine, reading.Run}, perUnit: rate(s) * pt.Plan.PulsesPer100h / 100, byHours: true}, nil
}

// weekly is the planned duty per week in the unit of a usage, 0 if not planned.
func weekly(pt *config.Point, u usage) float64 {
	switch {
	case u.kind == reading.Run:
		return pt.Plan.HoursPerWeek
	case pt.Plan.PulsesPerDay > 0:
		return 7 * pt.Plan.PulsesPerDay
	default:
		return pt.Plan.PulsesPer100h / 100 * pt.Plan.HoursPerWeek
	}
}

// outlookOf learns the duty that paces a point now. Pulses follow the point
// through swaps of its dispenser.
func (p *pass) outlookOf(ctx context.Context, pt *config.Point, u usage) (*outlook, error) {
	if u.kind == reading.Run {
		return p.machineOutlook(ctx, pt.Machine, pt.Plan.HoursPerWeek)
	}
	loaded := pt.Plan.PulsesPerDay <= 0
	if stints := p.records.stints[pt.ID]; len(stints) > 1 {
		days, err := p.splice(ctx, pt.ID)
		if err != nil {
			return nil, err
		}
		return p.learn(days, pt.Machine, weekly(pt, u), 0, loaded), nil
	}
	return p.outlookFrom(ctx, u.source, pt.Machine, weekly(pt, u), 0, loaded)
}

// splice takes each past day's pulses from the dispenser that was at the point
// at noon.
func (p *pass) splice(ctx context.Context, point string) ([]reading.Day, error) {
	out := make([]reading.Day, len(p.edges)-1)
	for i := range out {
		device := p.records.deviceAt(point, p.edges[i].Add(12*time.Hour))
		if device == "" {
			continue
		}
		days, err := p.table(ctx, source{device, reading.Pulse})
		if err != nil {
			return nil, err
		}
		out[i] = dayOf(days, i)
	}
	return out, nil
}

// cells works out what was commanded at a point between two instants. now and
// look are the duty that paces the point now and its outlook; stretches paced by
// another kind of duty get their own.
func (p *pass) cells(ctx context.Context, pt *config.Point, from, until time.Time, now usage, look *outlook, sc *scratch) ([]cell, error) {
	if from.Before(p.edges[0]) {
		from = p.edges[0]
	}
	out := sc.cells[:0]
	types := p.behind(pt.Machine)
	device := ""
	for _, pc := range p.records.pieces(p.site, pt.ID, from, until) {
		swapped := device != "" && device != pc.device
		device = pc.device
		u, err := p.usageOf(ctx, pt, pc.device, pc.setting.Setting)
		if err != nil {
			return nil, err
		}
		days, err := p.since(ctx, u.source, p.site.Today(pc.from))
		if err != nil {
			return nil, err
		}
		dose, measured, strokes, err := p.doses(ctx, pc.device)
		if err != nil {
			return nil, err
		}
		expect := look
		if u.kind != now.kind {
			if expect, err = p.outlookOf(ctx, pt, u); err != nil {
				return nil, err
			}
		}
		for d := p.site.Today(pc.from); d <= p.today && p.start(d).Before(pc.to); d++ {
			c := cell{date: d, from: p.start(d), to: p.end(d), priced: pc.known, swapped: swapped}
			whole := true
			if c.from.Before(pc.from) {
				c.from, whole = pc.from, false
			}
			if c.to.After(pc.to) {
				c.to, whole = pc.to, false
			}
			if !c.from.Before(c.to) {
				continue
			}
			got, err := p.amount(ctx, u.source, days, c, whole)
			if err != nil {
				return nil, err
			}
			share := float64(c.to.Sub(c.from)) / float64(p.end(d).Sub(p.start(d)))
			c.known = got.Known
			c.duty = got.Value + (1-got.Known)*share*expect.day(types[p.index(d)], p.index(d))
			c.cm3 = c.duty * u.perUnit
			if got.Known < 1 {
				c.variance = (1 - got.Known) * share // scaled below, together
			}
			if dose != nil {
				got, err := p.amount(ctx, source{pc.device, reading.Dose}, dose, c, whole)
				if err != nil {
					return nil, err
				}
				if measured {
					c.dose, c.doseKnown = got.Value, got.Known
				} else if strokes {
					c.counted, c.countedOK = got.Value, got.Known
				}
			}
			out, swapped = append(out, c), false
		}
		p.widen(out, pt, expect, pc, u.perUnit)
	}
	sc.cells = out
	return out, nil
}

// amount is the duty in a cell: from the day tables where the cell is a whole
// day, exact from the source at the edges.
func (p *pass) amount(ctx context.Context, s source, days []reading.Day, c cell, whole bool) (reading.Amount, error) {
	if whole {
		d := dayOf(days, p.index(c.date))
		return reading.Amount{Value: d.Amount, Seen: d.Seen, Known: d.Known, Flags: d.Flags}, nil
	}
	key := stretch{s, c.from.UnixNano(), c.to.UnixNano()}
	if a, ok := p.amounts[key]; ok {
		return a, nil
	}
	a, err := p.src.Amount(ctx, s.device, s.kind, c.from, c.to)
	if err != nil {
		return a, fmt.Errorf("read %s of %s from %s: %w", s.kind, s.device, c.from.Format(time.RFC3339), err)
	}
	p.amounts[key] = a
	return a, nil
}

// doses gives the daily cm3 of a dispenser's dose channel and what it rests on,
// nil where it has none.
func (p *pass) doses(ctx context.Context, device string) (days []reading.Day, measured, counted bool, err error) {
	days, err = p.table(ctx, source{device, reading.Dose})
	if err != nil || !ever(days) {
		return nil, false, false, err
	}
	evidence := config.EvidenceCounted
	if d := p.site.Dispenser(device); d != nil {
		evidence, _ = d.EvidenceOf("dose")
	}
	return days, evidence == config.EvidenceMeasured, evidence == config.EvidenceCounted, nil
}

// day is the expected duty of a day of a type, at place k of the day tables; 0
// where there is no model.
func (o *outlook) day(t config.DayType, k int) float64 {
	if load := loadAt(o.before, k); load != 1 && o.known() {
		return o.model.DayAt(t, load)
	}
	return o.means[t]
}

// widen turns the unseen shares of a piece's cells into variances. The error of
// the level is common to all unseen days, so their variances come from one
// curve over them.
func (p *pass) widen(cells []cell, pt *config.Point, look *outlook, pc piece, perUnit float64) {
	var at []int
	var types []config.DayType
	var scales []float32
	for i := range cells {
		if c := &cells[i]; c.variance > 0 && !c.from.Before(pc.from) && !c.to.After(pc.to) {
			at, types = append(at, i), append(types, p.behind(pt.Machine)[p.index(c.date)])
			scales = append(scales, float32(loadAt(look.before, p.index(c.date))))
		}
	}
	if len(at) == 0 {
		return
	}
	if !look.known() {
		// Nothing to expect: anything up to all that was seen may be missing.
		for _, i := range at {
			cells[i].variance = math.Pow(cells[i].cm3, 2)
		}
		return
	}
	curve := look.model.Curve(types, 1, scales...)
	for k, i := range at {
		cells[i].variance *= math.Max(0, curve.Var[k+1]-curve.Var[k]) * perUnit * perUnit
	}
}

// commanded sums what was commanded in [from, to], the share of cut cells by
// time, and the share of that time whose duty is known.
func commanded(cells []cell, from, to time.Time) (cm3, known float64) {
	var span, seen float64
	for i := range cells {
		c := &cells[i]
		a, b := c.from, c.to
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		if !a.Before(b) {
			continue
		}
		f := float64(b.Sub(a)) / float64(c.to.Sub(c.from))
		cm3 += f * c.cm3
		span += float64(b.Sub(a))
		seen += float64(b.Sub(a)) * c.known
	}
	if span == 0 {
		return 0, 0
	}
	return cm3, seen / span
}
