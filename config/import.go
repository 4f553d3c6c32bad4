package config

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"

	"go.yaml.in/yaml/v3"
)

// maxTableBytes bounds a table of points; 100,000 points need some 20 MB.
const maxTableBytes = 64 << 20

// ImportPoints turns a CSV table of points into the YAML of their areas,
// machines, points and dispensers, to be put into a site file. The first row
// names the columns of [ImportColumns], in any order. A byte-order mark,
// semicolons or tabs as separators, quoted fields, and with semicolons or tabs
// decimal commas are understood, as spreadsheets write them. Bad rows give a
// [*Faults] error with line and column of each; then there is no YAML.
func ImportPoints(table io.Reader) (text []byte, err error) {
	data, err := io.ReadAll(io.LimitReader(table, maxTableBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read table of points: %w", err)
	}
	im := &importer{site: &Site{}, seen: map[string]int{}, index: map[string]int{}}
	switch {
	case len(data) > maxTableBytes:
		im.fault(1, 0, "", "the table is larger than 64 MiB", "import it in parts")
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}) || bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		im.fault(1, 0, "", "the table is UTF-16", "save it as CSV in UTF-8")
	default:
		im.read(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")))
	}
	if len(im.faults) > 0 {
		return nil, &Faults{List: sorted(im.faults)}
	}
	out, err := encode(toNode(reflect.ValueOf(im.site).Elem(), ""))
	if err != nil {
		return nil, err
	}
	return append([]byte("# Made from a table of points. Put these lists into the site file, beside its\n# lubricants, reservoirs and dispenser_models, and run dwindle check.\n"), out...), nil
}

// importer gathers a site from rows.
type importer struct {
	site    *Site
	faults  []Fault
	comma   bool // decimal commas are understood
	columns []*column
	seen    map[string]int // line on which an id was first given
	index   map[string]int // where an area or machine stands in the site's lists
}

func (im *importer) fault(line, col int, name, what, remedy string) {
	im.faults = append(im.faults, Fault{Line: line, Column: col, Path: name, What: what, Remedy: remedy})
}

func (im *importer) read(data []byte) {
	r := csv.NewReader(bytes.NewReader(data))
	r.FieldsPerRecord = -1
	r.Comma = separator(data)
	r.TrimLeadingSpace = r.Comma != '\t'
	im.comma = r.Comma != ','
	for {
		cells, err := r.Read()
		var bad *csv.ParseError
		switch {
		case errors.Is(err, io.EOF):
			im.end()
			return
		case errors.As(err, &bad):
			im.fault(bad.Line, bad.Column, "", "not readable as CSV: "+bad.Err.Error(), `a field with quotes in it is written "in ""quotes"""`)
		case err != nil:
			im.fault(1, 0, "", "not readable as CSV: "+err.Error(), "save the table again as CSV")
			return
		case strings.TrimSpace(strings.Join(cells, "")) == "":
		case im.columns == nil:
			if !im.header(cells, r.FieldPos) {
				return
			}
		default:
			im.row(cells, r.FieldPos)
		}
	}
}

func (im *importer) end() {
	if im.columns == nil {
		im.fault(1, 0, "", "the table is empty", "a first row such as area,machine,point,lubricant,reservoir,dose_cm3_per_100h")
	} else if len(im.site.Points) == 0 && len(im.faults) == 0 {
		im.fault(1, 0, "", "the table has no rows", "one row per lube point below the names of the columns")
	}
}

// separator finds what separates the fields of the first row.
func separator(data []byte) rune {
	first, _, _ := bytes.Cut(bytes.TrimLeft(data, "\r\n"), []byte("\n"))
	best := ','
	for _, r := range ";\t" {
		if bytes.Count(first, []byte(string(r))) > bytes.Count(first, []byte(string(best))) {
			best = r
		}
	}
	return best
}

func (im *importer) header(cells []string, pos func(int) (int, int)) bool {
	given, meant := map[string]bool{}, map[string]bool{}
	im.columns = make([]*column, len(cells))
	for i, cell := range cells {
		line, col := pos(i)
		name := strings.ReplaceAll(strings.ToLower(strings.TrimSpace(cell)), " ", "_")
		c := columnOf(name)
		switch {
		case name == "":
			continue // a spreadsheet's empty column; a value in it is a fault
		case c == nil:
			remedy := "one of " + strings.Join(ImportColumns(), ", ")
			if like, ok := nearest(name, ImportColumns()); ok {
				remedy = "did you mean " + like + "?"
				meant[like] = true // told here, not as missing too
			}
			im.fault(line, col, "", fmt.Sprintf("unknown column %q", shorten(cell)), remedy)
		case given[name]:
			im.fault(line, col, name, "column given twice", "keep one of the two")
		default:
			im.columns[i] = c
		}
		given[name] = true
	}
	line, _ := pos(0)
	for _, c := range columns {
		if c.required && !given[c.name] && !meant[c.name] {
			im.fault(line, 0, c.name, "column missing", "add the column "+c.name)
		}
	}
	return len(im.faults) == 0
}

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
