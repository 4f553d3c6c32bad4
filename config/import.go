package config

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
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
