package config

import (
	"fmt"
	"slices"
)

func (c *checker) points() {
	for i := range c.s.Points {
		p, at := &c.s.Points[i], indexed("points", i)
		if c.required(at+".machine", p.Machine, "the machine it belongs to: "+known(c.ids.machines.order)) {
			c.has(c.ids.machines, at+".machine", p.Machine)
		}
		if c.required(at+".lubricant", p.Lubricant, "what it gets: "+known(c.ids.lubricants.order)) {
			c.has(c.ids.lubricants, at+".lubricant", p.Lubricant)
		}
		if c.required(at+".reservoir", p.Reservoir, "what its dispenser holds: "+known(c.ids.reservoirs.order)) {
			c.has(c.ids.reservoirs, at+".reservoir", p.Reservoir)
		}
		c.plan(p, at+".plan")
	}
}

func (c *checker) plan(p *Point, at string) {
	plan, signal := &p.Plan, true
	if i, ok := c.ids.machines.index[p.Machine]; ok {
		signal = c.s.Machines[i].HasRunSignal()
	}
	switch perRun, perDay := plan.DoseCM3Per100h > 0, plan.DoseCM3PerDay > 0; {
	case perRun && perDay:
		c.fault(at, "two doses, dose_cm3_per_100h and dose_cm3_per_day", "keep the one that the dose was calculated in")
	case !perRun && !perDay && signal:
		c.missing(at, "no dose", "give dose_cm3_per_100h, the wanted cm3 per 100 run-hours")
	case !perRun && !perDay:
		c.missing(at, "no dose", "give dose_cm3_per_day, as the machine has no run signal")
	case perRun && !signal:
		c.fault(at+".dose_cm3_per_100h", fmt.Sprintf("a dose per run-hours, but machine %s has no run signal", p.Machine), "give dose_cm3_per_day, or remove run_signal: false from the machine")
	case perDay && signal && c.knows(p.Machine):
		c.fault(at+".dose_cm3_per_day", fmt.Sprintf("a dose per day, but machine %s has a run signal", p.Machine), "give dose_cm3_per_100h, or set run_signal: false for the machine")
	}
	switch {
	case plan.PulsesPer100h > 0 && plan.PulsesPerDay > 0:
		c.fault(at, "two numbers of pulses, pulses_per_100h and pulses_per_day", "keep the one that the controller is set to")
	case plan.PulsesPer100h > 0 && !signal:
		c.fault(at+".pulses_per_100h", fmt.Sprintf("pulses per run-hours, but machine %s has no run signal", p.Machine), "give pulses_per_day")
	}
}

func (c *checker) knows(machine string) bool {
	_, ok := c.ids.machines.index[machine]
	return ok
}

func (c *checker) dispensers() {
	mounted := map[string]int{}
	for i := range c.s.Dispensers {
		d, at := &c.s.Dispensers[i], indexed("dispensers", i)
		var model *DispenserModel
		if c.required(at+".model", d.Model, "what kind of dispenser it is: "+known(c.ids.models.order)) && c.has(c.ids.models, at+".model", d.Model) {
			model = &c.s.Models[c.ids.models.index[d.Model]]
		}
		var point *Point
		if d.Point != "" && c.has(c.ids.points, at+".point", d.Point) {
			point = &c.s.Points[c.ids.points.index[d.Point]]
			if j, taken := mounted[d.Point]; taken {
				c.fault(at+".point", fmt.Sprintf("point %s has dispenser %s already, on line %d", d.Point, c.s.Dispensers[j].ID, c.at(indexed("dispensers", j))), "mount one dispenser per point; leave point out for a spare")
				point = nil
			} else {
				mounted[d.Point] = i
			}
		}
		c.settings(d, model, at)
		c.channels(d, at)
		if point != nil {
			c.mounted(d, model, point, at)
		}
	}
}

func (c *checker) settings(d *Dispenser, model *DispenserModel, at string) {
	for j, set := range d.Settings {
		at := indexed(at+".settings", j)
		if set.ValidFrom.IsZero() {
			c.missing(at, "without valid_from", "the date from which the dispenser is set so")
		} else if j > 0 && set.ValidFrom <= d.Settings[j-1].ValidFrom {
			c.fault(at+".valid_from", fmt.Sprintf("%s is not after %s of the setting before it", set.ValidFrom, d.Settings[j-1].ValidFrom), "one setting per date, the oldest first")
		}
		value, key, other, otherKey := set.CM3Per100h, "cm3_per_100h", set.CM3PerPulse, "cm3_per_pulse"
		if set.Pacing == PacingPulse {
			value, key, other, otherKey = other, otherKey, value, key
		}
		switch {
		case set.Pacing == "":
			c.missing(at, "without pacing", "run or pulse")
		case other > 0:
			c.fault(at+"."+otherKey, fmt.Sprintf("%s does not go with pacing %s", otherKey, set.Pacing), "give "+key+" alone")
		case value == 0:
			c.missing(at, "without "+key, "what the dispenser is set to")
		case model != nil && len(model.Pacing) > 0 && !slices.Contains(model.Pacing, set.Pacing):
			if at := indexed("dispenser_models", c.ids.models.index[model.ID]); c.tainted[at] {
				continue // its pacing may be what could not be read
			}
			c.fault(at+".pacing", fmt.Sprintf("model %s is not paced by %s", model.ID, set.Pacing), "one of "+known(entries(model.Pacing)))
		case model != nil && !model.Has(set.Pacing, value):
			c.noSuchSetting(at+"."+key, model, set.Pacing, value)
		}
	}
}

func (c *checker) noSuchSetting(path string, model *DispenserModel, pacing Pacing, value float64) {
	below, over, ok := model.Nearest(pacing, value)
	if !ok {
		return // the model's own fault, reported there
	}
	what := fmt.Sprintf("model %s has no setting %s", model.ID, number(value))
	if below == over {
		c.fault(path, what, "the nearest that it has is "+number(below))
		return
	}
	c.fault(path, what, fmt.Sprintf("the nearest that it has are %s and %s", number(below), number(over)))
}

func (c *checker) channels(d *Dispenser, at string) {
	seen := map[string]bool{}
	for j, ch := range d.Channels {
		at := indexed(at+".channels", j)
		switch {
		case ch.Kind == "":
			c.missing(at, "without kind", "level or dose")
		case seen[ch.Kind]:
			c.fault(at, "a second channel of kind "+ch.Kind, "declare each kind once")
		case ch.StepPercent > 0 && ch.StepCM3 > 0:
			c.fault(at, "two resolutions, step_percent and step_cm3", "keep the one that the device has")
		case ch.Kind == "dose" && ch.StepPercent > 0:
			c.fault(at+".step_percent", "a dose has no percent", "give step_cm3")
		}
		seen[ch.Kind] = true
	}
}

// mounted checks a dispenser against the point that it serves.
func (c *checker) mounted(d *Dispenser, model *DispenserModel, p *Point, at string) {
	if model != nil && len(model.Reservoirs) > 0 && p.Reservoir != "" && !slices.Contains(model.Reservoirs, p.Reservoir) {
		c.fault(at+".model", fmt.Sprintf("model %s does not take reservoir %s of point %s", model.ID, p.Reservoir, p.ID), "change the point's reservoir to one of "+known(model.Reservoirs)+", or add it to the model")
	}
	signal := true
	if i, ok := c.ids.machines.index[p.Machine]; ok {
		signal = c.s.Machines[i].HasRunSignal()
	}
	plan := indexed("points", c.ids.points.index[p.ID]) + ".plan"
	told := false
	for j, set := range d.Settings {
		switch {
		case set.Pacing == PacingRun && !signal:
			c.fault(indexed(at+".settings", j)+".pacing", fmt.Sprintf("paced by run-hours, but machine %s has no run signal", p.Machine), "a pulse-paced dispenser, or remove run_signal: false from the machine")
		case set.Pacing == PacingPulse && p.Plan != (Plan{TolerancePercent: p.Plan.TolerancePercent}) && p.Plan.PulsesPer100h == 0 && p.Plan.PulsesPerDay == 0 && !told:
			told = true
			c.missing(plan, fmt.Sprintf("no planned pulses, but dispenser %s is pulse-paced", d.ID), "give pulses_per_100h or pulses_per_day")
		}
	}
}
