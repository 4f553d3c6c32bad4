package config

// column is one column of a table of points.
type column struct {
	name     string
	key      string // struct and key that it fills, for ranges, words and help
	required bool
	of       func(r *row) any // pointer to what it fills
}

// columns are the columns of a table of points.
var columns = []column{
	{"area", "Area.id", true, func(r *row) any { return &r.area.ID }},
	{"area_name", "Area.name", false, func(r *row) any { return &r.area.Name }},
	{"machine", "Machine.id", true, func(r *row) any { return &r.machine.ID }},
	{"machine_name", "Machine.name", false, func(r *row) any { return &r.machine.Name }},
	{"criticality", "Machine.criticality", false, func(r *row) any { return &r.machine.Criticality }},
	{"run_signal", "Machine.run_signal", false, func(r *row) any { return &r.machine.RunSignal }},
	{"point", "Point.id", true, func(r *row) any { return &r.point.ID }},
	{"point_name", "Point.name", false, func(r *row) any { return &r.point.Name }},
	{"location", "Point.location", false, func(r *row) any { return &r.point.Location }},
	{"sequence", "Point.sequence", false, func(r *row) any { return &r.point.Sequence }},
	{"lubricant", "Point.lubricant", true, func(r *row) any { return &r.point.Lubricant }},
	{"reservoir", "Point.reservoir", true, func(r *row) any { return &r.point.Reservoir }},
	{"dose_cm3_per_100h", "Plan.dose_cm3_per_100h", false, func(r *row) any { return &r.point.Plan.DoseCM3Per100h }},
	{"dose_cm3_per_day", "Plan.dose_cm3_per_day", false, func(r *row) any { return &r.point.Plan.DoseCM3PerDay }},
	{"tolerance_percent", "Plan.tolerance_percent", false, func(r *row) any { return &r.point.Plan.TolerancePercent }},
	{"hours_per_week", "Plan.hours_per_week", false, func(r *row) any { return &r.point.Plan.HoursPerWeek }},
	{"pulses_per_100h", "Plan.pulses_per_100h", false, func(r *row) any { return &r.point.Plan.PulsesPer100h }},
	{"pulses_per_day", "Plan.pulses_per_day", false, func(r *row) any { return &r.point.Plan.PulsesPerDay }},
	{"source", "Plan.source", false, func(r *row) any { return &r.point.Plan.Source }},
	{"dispenser", "Dispenser.id", false, func(r *row) any { return &r.dispenser.ID }},
	{"serial", "Dispenser.serial", false, func(r *row) any { return &r.dispenser.Serial }},
	{"model", "Dispenser.model", false, func(r *row) any { return &r.dispenser.Model }},
	{"valid_from", "Setting.valid_from", false, func(r *row) any { return &r.setting.ValidFrom }},
	{"pacing", "Setting.pacing", false, func(r *row) any { return &r.setting.Pacing }},
	{"cm3_per_100h", "Setting.cm3_per_100h", false, func(r *row) any { return &r.setting.CM3Per100h }},
	{"cm3_per_pulse", "Setting.cm3_per_pulse", false, func(r *row) any { return &r.setting.CM3PerPulse }},
}

func columnOf(name string) *column {
	for i := range columns {
		if columns[i].name == name {
			return &columns[i]
		}
	}
	return nil
}

// ImportColumns names the columns that a table of points may have. Area,
// machine, point, lubricant, reservoir and one of the doses are needed.
func ImportColumns() []string {
	out := make([]string, len(columns))
	for i, c := range columns {
		out[i] = c.name
	}
	return out
}

// ImportHelp says what a column is for.
func ImportHelp(column string) string {
	if c := columnOf(column); c != nil {
		return help[c.key]
	}
	return ""
}
