package results

import (
	"context"
	"fmt"
	"hash/fnv"

	"dwindle/collector/influx/schema"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// register hands on what the points are: with each start, each day, when the site
// file was read again, and when a dispenser was swapped or set anew.
func (f *Feeder) register(ctx context.Context, site *config.Site, today civil.Date, fleet forecast.Fleet) error {
	now := stands(fleet.States)
	if f.site == site && f.day == today && f.stands == now {
		return nil
	}
	states := make(map[string]*forecast.State, len(fleet.States))
	for i := range fleet.States {
		states[fleet.States[i].Row.Point] = &fleet.States[i]
	}
	for i := range site.Points {
		pt := &site.Points[i]
		if err := f.put(ctx, f.row(schema.Register, registerRow(site, pt, states[pt.ID]), today, site)); err != nil {
			return err
		}
	}
	if err := f.flush(ctx); err != nil {
		return err
	}
	f.site, f.day, f.stands = site, today, now
	return nil
}

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
