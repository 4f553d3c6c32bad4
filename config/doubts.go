package config

import (
	"fmt"
	"math"

	"dwindle/config/unit"
)

func unusualDensity(gPerCM3 float64) bool {
	return gPerCM3 < unit.LowUsualDensity || gPerCM3 > unit.HighUsualDensity
}

// How far a setting may miss the plan before it is worth a word, and when the
// slowest setting is beyond use: too little starves a bearing, a little too
// much rarely harms. Our own choice; a fault would be too much, as a dispenser
// has only the settings that it has.
const (
	settingShortfall = -0.10
	settingExcess    = 0.25
	slowestExcess    = 1.00
)

// doubts collects what can be used but should be looked at.
func (c *checker) doubts() {
	used := map[string]bool{}
	dispenser := map[string]*Dispenser{}
	serials := map[string]string{}
	for i := range c.s.Dispensers {
		d, at := &c.s.Dispensers[i], indexed("dispensers", i)
		if d.Point == "" {
			c.warn(at, fmt.Sprintf("dispenser %s is a spare: it serves no point", d.ID), "give point when it is mounted")
		} else if dispenser[d.Point] == nil {
			dispenser[d.Point] = d
			if len(d.Settings) == 0 {
				c.warn(at, fmt.Sprintf("dispenser %s has no setting: no forecast until it reports one", d.ID), "add settings with valid_from")
			}
		}
		if first, taken := serials[d.Serial]; taken && d.Serial != "" {
			c.warn(at+".serial", fmt.Sprintf("serial %s is that of dispenser %s too", d.Serial, first), "read the two type plates again")
		}
		serials[d.Serial] = d.ID
	}
	for i := range c.s.Points {
		p, at := &c.s.Points[i], indexed("points", i)
		used[p.Machine] = true
		d := dispenser[p.ID]
		if d == nil {
			c.warn(at, fmt.Sprintf("point %s has no dispenser: its forecast is withheld", p.ID), "mount one: a dispenser with point: "+p.ID)
			continue
		}
		c.settingFits(p, d)
		c.stay(p, at)
	}
	for i, m := range c.s.Machines {
		if !used[m.ID] {
			c.warn(indexed("machines", i), fmt.Sprintf("machine %s has no points", m.ID), "add its points, or remove the machine")
		}
	}
	for _, area := range c.uncovered() {
		if i, ok := c.ids.areas.index[area]; ok {
			c.warn(indexed("areas", i), fmt.Sprintf("no round visits area %s: no chance of empty before a visit can be given", area), "add a round under calendar")
		}
	}
	if len(c.s.Brokers()) == 0 && c.s.Connections.Embedded == nil && !c.s.JournalInInflux() {
		c.warn("connections", "no broker: only replayed and entered readings arrive", "broker for the plant's, embedded_broker for a single box")
	}
}

// settingFits compares the newest setting with the plan, where both are per
// the same thing.
func (c *checker) settingFits(p *Point, d *Dispenser) {
	i, ok := c.ids.models.index[d.Model]
	if !ok || len(d.Settings) == 0 {
		return
	}
	model, last := &c.s.Models[i], len(d.Settings)-1
	set := d.Settings[last]
	perSetting, key := wantedPerUnit(p, set.Pacing), "cm3_per_100h"
	value := set.CM3Per100h
	if set.Pacing == PacingPulse {
		value, key = set.CM3PerPulse, "cm3_per_pulse"
	}
	if perSetting <= 0 || value <= 0 {
		return
	}
	path := indexed(indexed("dispensers", c.ids.dispensers.index[d.ID])+".settings", last) + "." + key
	miss := value/perSetting - 1
	if slowest, ok := model.Slowest(set.Pacing); ok && slowest/perSetting-1 > slowestExcess {
		c.warn(path, fmt.Sprintf("over-delivers even at the slowest setting: %s is %.1f times the plan of point %s", number(slowest), slowest/perSetting, p.ID), "fewer pulses, another model, or lubrication by hand")
		return
	}
	if miss < settingShortfall || miss > settingExcess {
		below, over, _ := model.Nearest(set.Pacing, perSetting)
		c.warn(path, fmt.Sprintf("the setting gives %.0f %% of the plan of point %s", 100*(1+miss), p.ID),
			fmt.Sprintf("the plan asks for %s; the model has %s and %s", number(round3(perSetting)), number(below), number(over)))
	}
}

// wantedPerUnit is the setting that would give the plan exactly, in the unit of
// the pacing's setting; 0 where the plan does not say.
func wantedPerUnit(p *Point, pacing Pacing) float64 {
	plan := &p.Plan
	switch {
	case pacing == PacingRun:
		return plan.DoseCM3Per100h
	case plan.PulsesPer100h > 0:
		return plan.DoseCM3Per100h / plan.PulsesPer100h
	case plan.PulsesPerDay > 0 && plan.DoseCM3PerDay > 0:
		return plan.DoseCM3PerDay / plan.PulsesPerDay
	case plan.PulsesPerDay > 0 && plan.HoursPerWeek > 0:
		return plan.DoseCM3Per100h / 100 * plan.HoursPerWeek / (7 * plan.PulsesPerDay)
	}
	return 0
}

// stay warns of a fill that would age before it is used.
func (c *checker) stay(p *Point, at string) {
	i, ok := c.ids.reservoirs.index[p.Reservoir]
	if !ok {
		return
	}
	r, perDay := &c.s.Reservoirs[i], p.Plan.DoseCM3PerDay
	if perDay == 0 {
		perDay = p.Plan.DoseCM3Per100h / 100 * p.Plan.HoursPerWeek / 7
	}
	if perDay <= 0 || r.MaxStayMonths <= 0 {
		return
	}
	if months := r.UsableCM3 / perDay * 24 / unit.HoursPerMonth; months > float64(r.MaxStayMonths) {
		c.warn(at+".plan", fmt.Sprintf("a reservoir of %s cm3 would last %.0f months, but may stay %d", number(r.UsableCM3), months, r.MaxStayMonths), "a smaller reservoir, or change it by date")
	}
}

func round3(x float64) float64 { return math.Round(x*1000) / 1000 }
