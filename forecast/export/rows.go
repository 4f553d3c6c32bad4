package export

import (
	"io"
	"reflect"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Rows writes rows of one struct type; its columns are the fields' JSON names in
// the order of the fields.
type Rows[T any] struct {
	table  *Table
	fields []int
	values []any
}

// New begins a table of rows of type T, a struct with JSON names. Figures are
// written to nine significant digits, those of [Reading] as they were read.
func New[T any](w io.Writer, format Format) *Rows[T] {
	t := reflect.TypeFor[T]()
	r := &Rows[T]{}
	var columns []string
	for i := range t.NumField() {
		if name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ","); name != "" && name != "-" {
			columns = append(columns, name)
			r.fields = append(r.fields, i)
		}
	}
	r.table, r.values = NewTable(w, format, columns...), make([]any, len(columns))
	r.table.derived = t != reflect.TypeFor[Reading]()
	return r
}

// Write writes one row.
func (r *Rows[T]) Write(row T) error {
	v := reflect.ValueOf(row)
	for i, f := range r.fields {
		r.values[i] = v.Field(f).Interface()
	}
	return r.table.Row(r.values...)
}

// Close writes what is buffered. It does not close the writer beneath.
func (r *Rows[T]) Close() error { return r.table.Close() }

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
}

// ReadingOf makes a row of a reading.
func ReadingOf(r reading.Reading) Reading {
	out := Reading{
		Device: r.Device, Quantity: string(r.Quantity), At: r.At, Received: r.Received, FromDevice: r.FromDevice,
		Value: r.Value, Key: r.Key, Flags: Flags(r.Flags),
	}
	switch r.Quantity {
	case reading.PulseCount, reading.PulseIncrement, reading.DoseStrokes, reading.LevelCountLeft:
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
}

// MachineDay is a row of the table "machines": run-hours of a civil day.
type MachineDay struct {
	Machine  string     `json:"machine"`
	Date     civil.Date `json:"date"`
	RunHours float64    `json:"run_hours"`
	Seen     float64    `json:"seen"`
	Flags    string     `json:"flags"`
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
	Volume string `json:"volume"`
}

var flagWords = []struct {
	flag reading.Flags
	word string
}{
	{reading.ReceiveTime, "receive_time"}, {reading.Conflict, "conflict"}, {reading.Retained, "retained"}, {reading.Gap, "gap"},
	{reading.Reset, "reset"}, {reading.Rollover, "rollover"}, {reading.Rewind, "rewind"}, {reading.Glitch, "glitch"},
	{reading.LowerBound, "lower_bound"}, {reading.Held, "held"}, {reading.Rebased, "rebased"}, {reading.Capped, "capped"},
	{reading.Disagreement, "disagreement"}, {reading.Inexact, "inexact"}, {reading.Corrected, "corrected"},
	{reading.Suspect, "suspect"},
}

// Flags writes flags as words, separated by a space.
func Flags(f reading.Flags) string {
	if f == 0 {
		return ""
	}
	var out []string
	for _, w := range flagWords {
		if f&w.flag != 0 {
			out = append(out, w.word)
		}
	}
	return strings.Join(out, " ")
}
