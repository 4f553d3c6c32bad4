package alerts

import (
	"context"
	"fmt"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
)

// underDelivery: measured evidence says that less went out than was commanded.
func (e *evaluation) underDelivery(_ context.Context, s *subject) (alarm.Observation, error) {
	o := alarm.Observation{Episode: s.Device}
	d := &s.Delivery
	ratio, ok := measuredRatio(d)
	if !ok {
		return o, nil
	}
	l := &e.limits
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(ratio), l.UnderRatio, "1"
	switch {
	case d.Verdict == forecast.Under || d.Verdict == forecast.NotDispensing:
		o.Says = alarm.Set
	case ratio >= l.UnderRatioClear || d.Verdict == forecast.Over:
		o.Says = alarm.Clear
	default:
		o.Says = alarm.Between
	}
	o.Priority, o.Seen.PriorityReason = byCriticality(s.criticality)
	if d.Verdict == forecast.NotDispensing && o.Priority != alarm.High {
		o.Priority = o.Priority.Up()
		o.Seen.PriorityReason = string(o.Priority) + ": criticality " + string(s.criticality) + ", one step up as next to nothing is delivered"
	}
	return o, nil
}

// overDelivery: measured evidence says that more went out than was commanded;
// or the level fell so fast that something leaks.
func (e *evaluation) overDelivery(ctx context.Context, s *subject) (alarm.Observation, error) {
	leak, found, err := e.leak(ctx, s)
	if err != nil || found {
		return leak, err
	}
	o := alarm.Observation{Episode: s.Device}
	d := &s.Delivery
	ratio, ok := measuredRatio(d)
	if !ok {
		return o, nil
	}
	l := &e.limits
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(ratio), l.OverRatio, "1"
	switch {
	case d.Verdict == forecast.Over:
		o.Says = alarm.Set
	case ratio <= l.OverRatioClear || d.Verdict == forecast.Under || d.Verdict == forecast.NotDispensing:
		o.Says = alarm.Clear
	default:
		o.Says = alarm.Between
	}
	o.Priority, o.Seen.PriorityReason = alarm.Medium, "medium: more than enough, for now"
	return o, nil
}

// measuredRatio gives delivered over commanded where measured evidence speaks.
func measuredRatio(d *forecast.Delivery) (float64, bool) {
	if d.Evidence != config.EvidenceMeasured || d.Ratio == nil {
		return 0, false
	}
	switch d.Verdict {
	case forecast.NotObservable, forecast.TooEarly, "":
		return 0, false
	}
	// An estimate may fall below nothing; what is shown may not.
	return max(0, *d.Ratio), true
}

// The leak rule: a fall within about a day of more than leakDays of the plan's
// dose at full running, and of more than leakSteps steps of the sensor.
const (
	leakDays    = 3
	leakSteps   = 3
	unknownStep = 10 // percent, of a level sensor whose step is not declared
)

// leak looks for a fall of the level that no dose explains.
func (e *evaluation) leak(ctx context.Context, s *subject) (alarm.Observation, bool, error) {
	var none alarm.Observation
	// Without a level from the last hours there is no fall to see; and after a
	// change levels settle.
	if s.Device == "" || s.register == nil || s.Row.CapacityCM3 == nil || s.NewestLevel.IsZero() || e.at.Sub(s.NewestLevel) > 30*time.Hour {
		return none, false, nil
	}
	dispenser := e.site.Dispenser(s.Device)
	if dispenser == nil {
		return none, false, nil
	}
	evidence, channel := dispenser.EvidenceOf("level")
	dose := fullDayDose(&s.register.Plan)
	if evidence != config.EvidenceMeasured || dose <= 0 {
		return none, false, nil
	}
	capacity := *s.Row.CapacityCM3
	step := channel.StepCM3
	if step == 0 {
		share := channel.StepPercent
		if share == 0 {
			share = unknownStep
		}
		step = capacity * share / 100
	}
	limit := max(leakDays*dose, leakSteps*step)
	// Cheaper than the levels: what is left cannot have fallen by more than
	// was there.
	if limit >= capacity {
		return none, false, nil
	}
	from := e.at.Add(-54 * time.Hour)
	if s.LastChange != nil {
		from = later(from, s.LastChange.At.Add(e.limits.SettleAfterChange))
	}
	levels, err := e.src.Levels(ctx, s.Device, from, e.at)
	if err != nil {
		return none, false, fmt.Errorf("levels of %s: %w", s.Device, err)
	}
	fall, over := steepest(levels, capacity, density(e.site, s.register))
	if fall <= limit {
		return none, false, nil
	}
	o := alarm.Observation{
		Says: alarm.Set, Immediate: true, Latching: true, Episode: s.Device + " possible leak",
		Priority: alarm.Medium, Evidence: s.NewestLevel,
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(fall), rounded(limit), "cm3"
	o.Seen.Detail = fmt.Sprintf("possible leak: the level fell by %s cm³ within %s; the plan needs at most %s cm³ a day",
		number(fall), alarm.Left(over), number(dose))
	o.Seen.PriorityReason = "medium: possible leak"
	if s.criticality == config.CriticalityA {
		o.Priority, o.Seen.PriorityReason = alarm.High, "high: possible leak on criticality A"
	}
	return o, true, nil
}

// steepest gives the largest fall between two successive levels of one kind at
// most 30 hours apart, in cm3.
func steepest(levels []reading.Sample, capacity, density float64) (fall float64, over time.Duration) {
	last := map[reading.Quantity]reading.Sample{}
	for _, l := range levels {
		switch l.Quantity {
		case reading.LevelCM3:
		case reading.LevelPercent:
			l.Value *= capacity / 100
		case reading.LevelGrams:
			if density <= 0 {
				continue
			}
			l.Value /= density
		default:
			continue // counted, not measured
		}
		if p, ok := last[l.Quantity]; ok {
			gap := l.At.Sub(p.At)
			if f := p.Value - l.Value; gap > 0 && gap <= 30*time.Hour && f > fall {
				fall, over = f, gap
			}
		}
		last[l.Quantity] = l
	}
	return fall, over
}

func density(site *config.Site, p *config.Point) float64 {
	if l := site.Lubricant(p.Lubricant); l != nil {
		return l.DensityGPerCM3
	}
	return 0
}

// fullDayDose is the plan's dose in cm3 for a day on which the machine never
// stops: the most that a day can need.
func fullDayDose(p *config.Plan) float64 {
	return max(p.DoseCM3PerDay, p.DoseCM3Per100h*24/100)
}

// dayDose is the plan's dose in cm3 on an average day, 0 if unknown.
func dayDose(p *config.Plan) float64 {
	return max(p.DoseCM3PerDay, p.DoseCM3Per100h*p.HoursPerWeek/700)
}

// missed is what was commanded and not delivered, 0 if unknown.
func missed(d *forecast.Delivery) float64 {
	if d.CommandedCM3 == nil || d.DeliveredCM3 == nil {
		return 0
	}
	return max(0, *d.CommandedCM3-max(0, *d.DeliveredCM3))
}
