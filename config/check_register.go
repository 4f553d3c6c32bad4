package config

import (
	"fmt"
	"slices"
)

func (c *checker) machines() {
	for i, m := range c.s.Machines {
		at := indexed("machines", i)
		if c.required(at+".area", m.Area, "the area it stands in: "+known(c.ids.areas.order)) {
			c.has(c.ids.areas, at+".area", m.Area)
		}
		if !m.HasRunSignal() && m.Every > 0 {
			c.fault(at+".every", "an interval of run messages, though run_signal is false", "remove one of the two keys")
		}
	}
}

func (c *checker) gateways() {
	behind := map[string]string{}
	member := func(set *ids, path, id string) {
		if !c.has(set, path, id) {
			return
		}
		if other, ok := behind[id]; ok {
			c.fault(path, fmt.Sprintf("%s %s is listed already on line %d", set.kind, id, c.at(other)), "list each device behind one gateway only")
			return
		}
		behind[id] = path
	}
	for i, g := range c.s.Gateways {
		at := indexed("gateways", i)
		if g.Area != "" {
			c.has(c.ids.areas, at+".area", g.Area)
		}
		for j, id := range g.Machines {
			member(c.ids.machines, indexed(at+".machines", j), id)
		}
		for j, id := range g.Dispensers {
			member(c.ids.dispensers, indexed(at+".dispensers", j), id)
		}
	}
}

func (c *checker) lubricants() {
	for i, l := range c.s.Lubricants {
		at := indexed("lubricants", i)
		if l.Designation != "" && !KnownDesignation(l.Designation) {
			c.warn(at+".designation", fmt.Sprintf("%q is not of a known form", shorten(l.Designation)), "copy it from the data sheet, such as KP2K-20 or ISO-L-XBCEA 2; it is shown as it is")
		}
		if l.DensityKnown() && unusualDensity(l.DensityGPerCM3) {
			c.warn(at+".density_g_per_cm3", number(l.DensityGPerCM3)+" g/cm3 is unusual for a grease", "check it on the data sheet; most weigh 0.85 to 1.05")
		}
	}
}

func (c *checker) reservoirs() {
	for i, r := range c.s.Reservoirs {
		at := indexed("reservoirs", i)
		if r.NominalCM3 == 0 {
			c.fault(at+".nominal_cm3", "missing", "the volume printed on it, in cm3")
		}
		if r.UsableCM3 == 0 {
			c.fault(at+".usable_cm3", "missing", "the volume that comes out before it counts as empty, in cm3; at most nominal_cm3")
		}
		if r.NominalCM3 > 0 && r.UsableCM3 > r.NominalCM3 && !c.faulted[at+".nominal_cm3"] {
			c.fault(at+".usable_cm3", fmt.Sprintf("usable %s cm3 is more than nominal %s cm3", number(r.UsableCM3), number(r.NominalCM3)), "swap the two or correct the larger one")
		}
	}
}

func (c *checker) models() {
	for i := range c.s.Models {
		m, at := &c.s.Models[i], indexed("dispenser_models", i)
		if len(m.Pacing) == 0 {
			c.missing(at+".pacing", "missing", "[run], [pulse] or [run, pulse]")
		}
		c.unique(at+".pacing", m.Pacing)
		c.offer(m, at, PacingRun, "run_steps_cm3_per_100h", m.RunStepsCM3Per100h, "run_range_cm3_per_100h", m.RunRangeCM3Per100h)
		c.offer(m, at, PacingPulse, "pulse_steps_cm3", m.PulseStepsCM3, "pulse_range_cm3", m.PulseRangeCM3)
		for j, id := range m.Reservoirs {
			c.has(c.ids.reservoirs, indexed(at+".reservoirs", j), id)
		}
	}
}

// offer checks the settings that a model has for one pacing.
func (c *checker) offer(m *DispenserModel, at string, pacing Pacing, steps string, list []float64, span string, r *Range) {
	has := slices.Contains(m.Pacing, pacing)
	switch {
	case len(list) > 0 && r != nil:
		c.fault(at+"."+span, "both a list and a range of settings", fmt.Sprintf("keep %s or %s, not both", steps, span))
	case has && len(list) == 0 && r == nil && !c.tainted[at]:
		c.fault(at, fmt.Sprintf("pacing %s without settings", pacing), fmt.Sprintf("list those that it has in %s, or give %s", steps, span))
	case !has && len(m.Pacing) > 0 && (len(list) > 0 || r != nil):
		key := steps
		if r != nil {
			key = span
		}
		c.fault(at+"."+key, fmt.Sprintf("settings for pacing %s, which the model does not have", pacing), fmt.Sprintf("add %s to pacing, or remove the settings", pacing))
	}
	c.unique(at+"."+steps, list)
	if r == nil {
		return
	}
	at += "." + span
	switch {
	case r.From == 0 || r.To == 0 || r.Step == 0:
		c.missing(at, "a range wants from, to and step", "write {from: 0.1, to: 20, step: 0.1}")
	case r.From > r.To:
		c.fault(at+".from", fmt.Sprintf("from %s is above to %s", number(r.From), number(r.To)), "swap the two")
	case (r.To-r.From)/r.Step > maxSteps:
		c.fault(at+".step", "more than 100,000 steps", "a larger step")
	}
}

// unique reports an entry given twice.
func (c *checker) unique(path string, list any) {
	seen := map[string]bool{}
	for j, entry := range entries(list) {
		if seen[entry] {
			c.fault(indexed(path, j), entry+" is given twice", "remove one")
		}
		seen[entry] = true
	}
}

func entries(list any) (out []string) {
	switch list := list.(type) {
	case []Pacing:
		for _, x := range list {
			out = append(out, string(x))
		}
	case []float64:
		for _, x := range list {
			out = append(out, number(x))
		}
	case []string:
		out = list
	}
	return out
}
