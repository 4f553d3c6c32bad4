package config

import (
	"fmt"
	"reflect"
	"strings"

	"go.yaml.in/yaml/v3"
)

// row is one row of the table, decoded.
type row struct {
	area      Area
	machine   Machine
	point     Point
	dispenser Dispenser
	setting   Setting
	line      int
	at        map[string]int // column numbers by name
}

func (im *importer) row(cells []string, pos func(int) (int, int)) {
	r := &row{at: map[string]int{}}
	before := len(im.faults)
	r.line, _ = pos(0)
	for i, cell := range cells {
		line, col := pos(i)
		cell = strings.TrimSpace(cell)
		switch {
		case cell == "":
			if i < len(im.columns) && im.columns[i] != nil {
				r.at[im.columns[i].name] = col
			}
		case i >= len(im.columns) || im.columns[i] == nil:
			im.fault(line, col, "", fmt.Sprintf("%q stands in a column without a name", shorten(cell)), "name the column, or put quotes around a field that holds a separator")
		default:
			c := im.columns[i]
			r.at[c.name] = col
			v := reflect.ValueOf(c.of(r)).Elem()
			if v.Kind() == reflect.Pointer {
				v.Set(reflect.New(v.Type().Elem()))
				v = v.Elem()
			}
			if v.Kind() == reflect.Float64 && im.comma && !strings.Contains(cell, ".") {
				cell = strings.Replace(cell, ",", ".", 1)
			}
			if what, remedy := scalar(&yaml.Node{Kind: yaml.ScalarNode, Value: cell}, v, c.key); what != "" {
				im.fault(line, col, c.name, what, remedy)
			}
		}
	}
	if len(im.faults) == before {
		im.take(r)
	}
}

// take checks a row as a whole and adds it to the site.
func (im *importer) take(r *row) {
	before := len(im.faults)
	bad := func(name, what, remedy string) { im.fault(r.line, r.at[name], name, what, remedy) }
	for _, c := range columns {
		v := reflect.ValueOf(c.of(r)).Elem()
		if c.required && v.IsZero() {
			bad(c.name, "missing", "fill it in: "+help[c.key])
		}
		if isID(c.key) && !v.IsZero() && !ValidID(v.String()) {
			bad(c.name, fmt.Sprintf("%q cannot be an id", shorten(v.String())), idRemedy)
		}
	}
	im.once(r, "point", r.point.ID)
	im.once(r, "dispenser", r.dispenser.ID)
	plan := &r.point.Plan
	if (plan.DoseCM3Per100h > 0) == (plan.DoseCM3PerDay > 0) {
		bad("dose_cm3_per_100h", "want one dose", "fill in either dose_cm3_per_100h or dose_cm3_per_day")
	}
	set := &r.setting
	switch {
	case r.dispenser.ID == "" && (r.dispenser.Serial != "" || r.dispenser.Model != "" || *set != (Setting{})):
		bad("dispenser", "a serial, model or setting without the id of the dispenser", "fill in dispenser")
	case r.dispenser.ID != "" && r.dispenser.Model == "":
		bad("model", "missing", "the model of dispenser "+r.dispenser.ID)
	case *set != (Setting{}) && (set.ValidFrom.IsZero() || set.Pacing == "" || (set.CM3Per100h > 0) == (set.CM3PerPulse > 0) || (set.Pacing == PacingPulse) != (set.CM3PerPulse > 0)):
		bad("pacing", "the setting is not complete", "valid_from, and pacing run with cm3_per_100h or pacing pulse with cm3_per_pulse")
	}
	if len(im.faults) > before {
		return
	}
	im.addArea(r)
	im.addMachine(r)
	r.point.Machine = r.machine.ID
	im.site.Points = append(im.site.Points, r.point)
	if r.dispenser.ID != "" {
		r.dispenser.Point = r.point.ID
		if *set != (Setting{}) {
			r.dispenser.Settings = []Setting{*set}
		}
		im.site.Dispensers = append(im.site.Dispensers, r.dispenser)
	}
}

// once reports an id that an earlier row has.
func (im *importer) once(r *row, name, id string) {
	if id == "" {
		return
	}
	key := name + " " + strings.ToLower(id)
	if first, taken := im.seen[key]; taken {
		im.fault(r.line, r.at[name], name, fmt.Sprintf("%s %s stands on line %d already", name, id, first), "one row per "+name)
		return
	}
	im.seen[key] = r.line
}

func (im *importer) addArea(r *row) {
	key := "area " + r.area.ID
	if i, ok := im.index[key]; ok {
		im.agree(r, "area_name", &im.site.Areas[i].Name, r.area.Name)
		return
	}
	im.index[key] = len(im.site.Areas)
	im.site.Areas = append(im.site.Areas, r.area)
}

func (im *importer) addMachine(r *row) {
	r.machine.Area = r.area.ID
	key := "machine " + r.machine.ID
	i, ok := im.index[key]
	if !ok {
		im.index[key] = len(im.site.Machines)
		im.site.Machines = append(im.site.Machines, r.machine)
		return
	}
	m := &im.site.Machines[i]
	im.agree(r, "machine_name", &m.Name, r.machine.Name)
	im.agree(r, "area", &m.Area, r.machine.Area)
	im.agree(r, "criticality", (*string)(&m.Criticality), string(r.machine.Criticality))
	if s := r.machine.RunSignal; s != nil {
		if m.RunSignal != nil && *m.RunSignal != *s {
			im.fault(r.line, r.at["run_signal"], "run_signal", "differs from an earlier row of machine "+m.ID, "say the same in every row of a machine")
		}
		m.RunSignal = s
	}
}

// agree takes a text over from a later row, or reports that it differs.
func (im *importer) agree(r *row, name string, have *string, now string) {
	switch {
	case *have == "":
		*have = now
	case now != "" && now != *have:
		im.fault(r.line, r.at[name], name, fmt.Sprintf("%q here, %q in an earlier row", shorten(now), shorten(*have)), "say the same in every row, or leave it empty after the first")
	}
}
