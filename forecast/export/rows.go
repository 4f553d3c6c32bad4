package export

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Rows writes rows of one struct type into a sink; its fields are those of the
// table, by JSON name, in order.
type Rows[T any] struct {
	sink  Sink
	cells []cell
	row   T // what is being written; kept here so that no row is allocated
	value reflect.Value
	err   error
}

// cell is one field.
type cell struct {
	at       []int // index of the field, embedded structs in between
	kind     Type
	pointer  bool
	nullable bool
	name     string
}

// New begins to write rows of type T, a struct with JSON names, as a table.
func New[T any](sink Sink, table Table) *Rows[T] {
	r := &Rows[T]{sink: sink}
	r.value = reflect.ValueOf(&r.row).Elem()
	r.cells, r.err = plan(r.value.Type(), nil, nil)
	if r.err == nil && len(r.cells) != len(table.Columns) {
		r.err = fmt.Errorf("export %s: %d fields for %d columns", table.Name, len(r.cells), len(table.Columns))
	}
	for i := 0; r.err == nil && i < len(r.cells); i++ {
		c, column := &r.cells[i], table.Columns[i]
		c.nullable = column.Empty != ""
		if c.name != column.Name || c.kind != column.Type {
			r.err = fmt.Errorf("export %s: field %s (%s) where the dictionary has %s (%s)", table.Name, c.name, c.kind, column.Name, column.Type)
		}
	}
	return r
}

// plan lists the fields of a struct type.
func plan(t reflect.Type, at []int, out []cell) ([]cell, error) {
	for i := range t.NumField() {
		f := t.Field(i)
		place := append(append([]int{}, at...), i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" {
			var err error
			if out, err = plan(f.Type, place, out); err != nil {
				return nil, err
			}
			continue
		}
		if name == "" || name == "-" {
			continue
		}
		c := cell{at: place, name: name}
		ft := f.Type
		if ft.Kind() == reflect.Pointer {
			c.pointer, ft = true, ft.Elem()
		}
		switch {
		case ft == reflect.TypeFor[time.Time]():
			c.kind = InstantType
		case ft == reflect.TypeFor[civil.Date]():
			c.kind = DateType
		case ft.Kind() == reflect.String:
			c.kind = TextType
		case ft.Kind() == reflect.Float64:
			c.kind = NumberType
		case ft.Kind() == reflect.Int || ft.Kind() == reflect.Int64:
			c.kind = CountType
		case ft.Kind() == reflect.Bool:
			c.kind = TruthType
		case ft == reflect.TypeFor[[]string]():
			c.kind = ListType
		default:
			return nil, fmt.Errorf("export: field %s is a %s, which no column can hold", name, ft)
		}
		out = append(out, c)
	}
	return out, nil
}

// Write writes one row.
func (r *Rows[T]) Write(row T) error {
	if r.err != nil {
		return r.err
	}
	r.row = row
	for i := range r.cells {
		c := &r.cells[i]
		v := r.value
		for _, k := range c.at {
			v = v.Field(k)
		}
		if c.pointer {
			v = v.Elem() // not valid where the pointer is nil
		}
		if !c.put(r.sink, v) {
			r.err = fmt.Errorf("export: column %s has no value, which its description rules out", c.name)
			return r.err
		}
	}
	r.err = r.sink.EndRow()
	return r.err
}

// put hands over one cell; ok is false where a value is missing that must not.
func (c *cell) put(to Sink, v reflect.Value) (ok bool) {
	if !v.IsValid() {
		to.None()
		return c.nullable
	}
	switch c.kind {
	case TextType:
		if s := v.String(); s != "" || !c.nullable {
			to.Text(s)
			return true
		}
	case NumberType:
		if f := v.Float(); !math.IsNaN(f) && !math.IsInf(f, 0) {
			to.Number(f)
			return true
		}
	case CountType:
		to.Count(v.Int())
		return true
	case TruthType:
		to.Truth(v.Bool())
		return true
	case InstantType:
		if t := *v.Addr().Interface().(*time.Time); !t.IsZero() {
			to.Instant(t)
			return true
		}
	case DateType:
		if d := civil.Date(v.Int()); !d.IsZero() {
			to.Date(d)
			return true
		}
	case ListType:
		if list := *v.Addr().Interface().(*[]string); list != nil || !c.nullable {
			to.List(list)
			return true
		}
	}
	to.None()
	return c.nullable
}

// Close writes what is buffered and what ends the table. It does not close the
// writer beneath.
func (r *Rows[T]) Close() error {
	if r.err != nil {
		return r.err
	}
	return r.sink.Close()
}

// Reading is a row of the table "readings": one value of a channel at a time.
type Reading struct {
	Device     string    `json:"device"`
	Quantity   string    `json:"quantity"` // kind and field; the field names the unit
	At         time.Time `json:"at"`
	Received   time.Time `json:"received"`
	FromDevice bool      `json:"time_from_device"`
	Value      float64   `json:"value"`
	Count      *int64    `json:"count"` // exact, for counts
	Key        string    `json:"key"`   // id of an increment
	Flags      string    `json:"flags"`
	Point      string    `json:"point"` // of a dispenser, at that time
	Machine    string    `json:"machine"`
	Area       string    `json:"area"`
}

// ReadingOf makes a row of a reading; where the device stands is the caller's.
func ReadingOf(r reading.Reading) Reading {
	out := Reading{
		Device: r.Device, Quantity: string(r.Quantity), At: r.At, Received: r.Received, FromDevice: r.FromDevice,
		Value: r.Value, Key: r.Key, Flags: Flags(r.Flags),
	}
	if r.Quantity.Exact() {
		n := r.Count
		out.Count = &n
	}
	return out
}

// Usage is a row of the table "usage": one dispenser on one civil day.
type Usage struct {
	Dispenser    string     `json:"dispenser"`
	Point        string     `json:"point"`
	Machine      string     `json:"machine"`
	Date         civil.Date `json:"date"`
	RunHours     *float64   `json:"run_hours"`
	Pulses       *float64   `json:"pulses"`
	CommandedCM3 *float64   `json:"commanded_cm3"`
	DeliveredCM3 *float64   `json:"delivered_cm3"` // none where a day cannot be resolved
	Seen         float64    `json:"seen"`          // share of the day observed
	Flags        string     `json:"flags"`
	Zone         string     `json:"zone"`
}

// UsagePeriod is a row of the table "usage" by period: one dispenser in one civil
// period at one point.
type UsagePeriod struct {
	Dispenser    string     `json:"dispenser"`
	Point        string     `json:"point"`
	Machine      string     `json:"machine"`
	From         civil.Date `json:"from"` // first and last day
	To           civil.Date `json:"to"`
	RunHours     *float64   `json:"run_hours"`
	Pulses       *float64   `json:"pulses"`
	CommandedCM3 *float64   `json:"commanded_cm3"`
	DeliveredCM3 *float64   `json:"delivered_cm3"` // none where a part cannot be resolved
	Seen         float64    `json:"seen"`          // share of the time observed
	Flags        string     `json:"flags"`
	Zone         string     `json:"zone"`
}

// DeliveryPeriod is a row of the table "delivery" by period: one point in one
// civil period.
type DeliveryPeriod struct {
	Point        string     `json:"point"`
	Machine      string     `json:"machine"`
	From         civil.Date `json:"from"` // first and last day
	To           civil.Date `json:"to"`
	PlannedCM3   *float64   `json:"planned_cm3"`
	CommandedCM3 *float64   `json:"commanded_cm3"`
	DeliveredCM3 *float64   `json:"delivered_cm3"` // none where a part cannot be resolved
	Resolved     float64    `json:"resolved"`      // share of the days that ratio is of
	Ratio        *float64   `json:"ratio"`
	RatioSD      *float64   `json:"ratio_sd"`
	PlanRatio    *float64   `json:"plan_ratio"`
	Evidence     string     `json:"evidence"`
	Seen         float64    `json:"seen"` // share of the time observed
	Zone         string     `json:"zone"`
}

// MachineDay is a row of the table "machines": run-hours of a civil day.
type MachineDay struct {
	Machine  string     `json:"machine"`
	Date     civil.Date `json:"date"`
	RunHours float64    `json:"run_hours"`
	Seen     float64    `json:"seen"`
	Flags    string     `json:"flags"`
	Zone     string     `json:"zone"`
}

// Trend is a row of the table "trends": consumption per run-hour of a group.
type Trend struct {
	Group       string     `json:"group"` // point, machine, area, lubricant
	ID          string     `json:"id"`
	From        civil.Date `json:"from"` // first and last day used
	To          civil.Date `json:"to"`
	Days        int        `json:"days"` // used in the regression
	CM3Per100h  *float64   `json:"cm3_per_100h"`
	SE          *float64   `json:"se"`
	Low         *float64   `json:"low"`  // 90 % interval
	High        *float64   `json:"high"` // 90 % interval
	CM3PerDay   *float64   `json:"cm3_per_day"`
	ChangeMarks []string   `json:"change_marks"` // dates of changed settings, swaps and refills
	// Volume says what was regressed: delivered, commanded, or mixed.
	Volume  string `json:"volume"`
	Points  int    `json:"points"`   // added up
	LeftOut int    `json:"left_out"` // points of which no day is known
	Zone    string `json:"zone"`
}

// Flags writes flags as the words of the column flags.
func Flags(f reading.Flags) string { return f.String() }
