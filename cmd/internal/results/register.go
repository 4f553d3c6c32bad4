package results

import (
	"fmt"
	"hash/fnv"

	"dwindle/config"
	"dwindle/forecast"
)

// registerEntry is what stands where on a day: the fields of the measurement
// register.
type registerEntry struct {
	Point         string             `json:"point"`
	Name          string             `json:"name,omitempty"`
	Machine       string             `json:"machine,omitempty"`
	MachineName   string             `json:"machine_name,omitempty"`
	Criticality   config.Criticality `json:"criticality,omitempty"`
	Area          string             `json:"area,omitempty"`
	AreaName      string             `json:"area_name,omitempty"`
	Dispenser     string             `json:"dispenser,omitempty"`
	Pacing        config.Pacing      `json:"pacing,omitempty"`
	Lubricant     string             `json:"lubricant,omitempty"`
	LubricantName string             `json:"lubricant_name,omitempty"`
	Reservoir     string             `json:"reservoir,omitempty"`
	UsableCM3     *float64           `json:"usable_cm3,omitempty"`
	PlanPer100h   *float64           `json:"plan_cm3_per_100h,omitempty"`
	PlanPerDay    *float64           `json:"plan_cm3_per_day,omitempty"`
	SetPer100h    *float64           `json:"setting_cm3_per_100h,omitempty"`
	SetPerPulse   *float64           `json:"setting_cm3_per_pulse,omitempty"`
}

// registerRow is the entry of a point; state is what a pass has found there, nil
// where there was none.
func registerRow(site *config.Site, pt *config.Point, state *forecast.State) registerEntry {
	row := registerEntry{
		Point: pt.ID, Name: pt.Name, Machine: pt.Machine, Lubricant: pt.Lubricant, Reservoir: pt.Reservoir,
		PlanPer100h: figure(pt.Plan.DoseCM3Per100h), PlanPerDay: figure(pt.Plan.DoseCM3PerDay),
	}
	if m := site.Machine(pt.Machine); m != nil {
		row.MachineName, row.Criticality, row.Area = m.Name, m.Criticality, m.Area
		if a := site.Area(m.Area); a != nil {
			row.AreaName = a.Name
		}
	}
	if l := site.Lubricant(pt.Lubricant); l != nil {
		row.LubricantName = l.Name
	}
	if r := site.Reservoir(pt.Reservoir); r != nil {
		row.UsableCM3 = figure(r.UsableCM3)
	}
	if state != nil {
		row.Dispenser = state.Device
		if s := state.Setting; s != nil {
			row.Pacing, row.SetPer100h, row.SetPerPulse = s.Pacing, figure(s.CM3Per100h), figure(s.CM3PerPulse)
		}
	}
	return row
}

// figure is nil where a value of the site file was not given.
func figure(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

// stands marks what stands where, so that a swap or another setting is seen.
func stands(states []forecast.State) uint64 {
	h := fnv.New64a()
	for i := range states {
		s := &states[i]
		h.Write([]byte(s.Row.Point + "\x00" + s.Device + "\x00"))
		if s.Setting != nil {
			fmt.Fprint(h, s.Setting.Pacing, s.Setting.CM3Per100h, s.Setting.CM3PerPulse)
		}
	}
	return h.Sum64()
}
