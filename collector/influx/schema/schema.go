// Package schema is how what the journal holds looks in InfluxDB 2: which
// measurement, which tags, which fields, at which time. It turns readings,
// facts, calibrations and daily results into lines of line protocol, and the
// first three back again, so that a journal can be read from InfluxDB to the
// last bit.
//
// [Measurements] is the one table of all of it: daily rows are written by it,
// the page for users is made from it, and a test compares it with what is
// written. Tags are ids only (site, device, channel, or point): what may be
// renamed, moved or swapped stands in fields, so that the same thing sent again
// lands on the series that it is on already. [Encoder] writes, [Record] reads.
package schema

import (
	"slices"
	"strings"

	"dwindle/collector/reading"
)

// Kind is the type of a column. A field keeps it for ever: InfluxDB refuses
// another one as long as it holds any of the first.
type Kind string

// The kinds. Measures and counts are floats, always, whatever a device sends:
// integers are times, flags and exact counts only.
const (
	Tag     Kind = "tag"
	Float   Kind = "float"
	Integer Kind = "integer"
	Text    Kind = "string"
	Boolean Kind = "boolean"
)

// Column is a tag or a field.
type Column struct {
	Name  string
	Kind  Kind
	Unit  string // empty: none
	About string
	// list: a list of texts in the row, one text here.
	list bool
	// days: names the field that says how many days the date is away; daysTo:
	// this is one.
	days   string
	daysTo bool
}

// Measurement is one kind of points.
type Measurement struct {
	Name  string
	About string
	Time  string // what the time of a point is
	// Daily says that there is a set of them for each civil day.
	Daily   bool
	Columns []Column // tags first, in the order in which they are written
}

// Column gives the column of a name.
func (m *Measurement) Column(name string) (Column, bool) {
	for _, c := range m.Columns {
		if c.Name == name {
			return c, true
		}
	}
	return Column{}, false
}

// The names of the measurements that are not kinds of readings.
const (
	Fact        = "fact"
	Late        = "late"
	Usage       = "usage"
	Forecast    = "forecast"
	Delivery    = "delivery"
	Alarm       = "alarm"
	Register    = "register"
	Calibrated  = "calibration"
	Forwarded   = "forwarded"
	factChannel = "fact"
)

// FactChannel stands in the change feed where facts are meant.
const FactChannel reading.Quantity = factChannel

// Quantities lists what readings there are, in the order of the table.
func Quantities() []reading.Quantity { return slices.Clone(quantities) }

var quantities = []reading.Quantity{
	reading.RunRunning, reading.RunHours, reading.RunSeconds,
	reading.PulseCount, reading.PulseIncrement,
	reading.DoseCM3, reading.DoseStrokes,
	reading.LevelCM3, reading.LevelPercent, reading.LevelGrams, reading.LevelCountLeft,
	reading.StatusTempC, reading.StatusBar, reading.StatusVolt, reading.StatusOnline, reading.StatusEveryS,
}

// measurementOf splits a quantity into the measurement and the channel, which
// is the name of the value's field as well.
func measurementOf(q reading.Quantity) (measurement, channel string, ok bool) {
	measurement, channel, _ = strings.Cut(string(q), ".")
	return measurement, channel, slices.Contains(quantities, q)
}

// Measurements is the table of everything that is written.
func Measurements() []Measurement {
	out := slices.Clone(measurements)
	for i := range out {
		out[i].Columns = slices.Clone(out[i].Columns)
	}
	return out
}

func find(name string) *Measurement {
	for i := range measurements {
		if measurements[i].Name == name {
			return &measurements[i]
		}
	}
	return nil
}

var (
	siteTag   = Column{Name: "site", Kind: Tag, About: "id of the site"}
	pointTag  = Column{Name: "point", Kind: Tag, About: "id of the lube point"}
	deviceTag = Column{Name: "device", Kind: Tag, About: "id of the machine, dispenser or gateway that reported"}
)

const (
	readingTime = "when it was so, to the millisecond: the device's own time, or when it was received"
	dayTime     = "the instant at which the civil day `date` begins at the site"
)

// readings makes the table of a kind of readings.
func readings(kind reading.Kind, about string, values ...Column) Measurement {
	var names []string
	exact, keyed := false, false
	for _, v := range values {
		names = append(names, v.Name)
		q := reading.Quantity(string(kind) + "." + v.Name)
		exact, keyed = exact || q.Exact(), keyed || q == reading.PulseIncrement
	}
	m := Measurement{Name: string(kind), About: about, Time: readingTime, Columns: []Column{
		{Name: "channel", Kind: Tag, About: "what is measured, which is the name of the value's field: " + strings.Join(names, ", ")},
		deviceTag, siteTag,
	}}
	if keyed {
		m.Time += "; an increment's has a number below 10^6 from its id as the nanoseconds, so that two of one millisecond stay two"
	}
	m.Columns = append(m.Columns, values...)
	m.Columns = append(m.Columns,
		Column{Name: "lag_ms", Kind: Integer, Unit: "ms", About: "when it was received, less the time of the point"},
		Column{Name: "flags", Kind: Integer, About: "what is special about it, as a sum of bits (see below)"})
	if exact {
		m.Columns = append(m.Columns, Column{Name: "exact", Kind: Integer, Unit: "1", About: "the count where it is beyond 2^53, which a float does not hold exactly; counts only while `flags` says inexact"})
	}
	if keyed {
		m.Columns = append(m.Columns, Column{Name: "key", Kind: Text, About: "unique id of an increment; as a JSON string where it has control characters or begins with a quotation mark"})
	}
	return m
}

// daily makes the table of a measurement of which there are rows for civil days.
func daily(name, about string, columns ...Column) Measurement {
	return Measurement{Name: name, About: about, Time: dayTime, Daily: true, Columns: append(columns, missingField)}
}

func text(name, about string) Column { return Column{Name: name, Kind: Text, About: about} }
func texts(name, about string) Column {
	return Column{Name: name, Kind: Text, About: about, list: true}
}
func float(name, unit, about string) Column {
	return Column{Name: name, Kind: Float, Unit: unit, About: about}
}
func moment(name, about string) Column {
	return Column{Name: name, Kind: Text, Unit: "RFC 3339", About: about}
}
func civilDate(name, about string) Column {
	return Column{Name: name, Kind: Text, Unit: "ISO 8601", About: about}
}
func ahead(name, days, about string) Column { c := civilDate(name, about); c.days = days; return c }
func daysTo(name string) Column {
	c := float(name, "d", "the same in days from `date`, to plot")
	c.daysTo = true
	return c
}

var (
	dateField    = civilDate("date", "the civil day at the site")
	missingField = text("missing", "names of the figures that are not known, parted by blanks, - where there are none: what a figure named here says is of an earlier writing and does not count")
)

var measurements = []Measurement{
	readings(reading.Run, "A machine runs, or its hour counter.",
		float("running", "1", "1 while it runs, 0 while it does not"),
		float("hours", "h", "counter of run-hours"),
		float("seconds", "s", "counter of run-seconds")),
	readings(reading.Pulse, "Pulses of the controller that a dispenser saw.",
		float("count", "1", "counter of pulses"),
		float("pulses", "1", "pulses since the last message: an increment")),
	readings(reading.Dose, "What went out.",
		float("cm3", "cm3", "counter of volume"),
		float("strokes", "1", "counter of strokes")),
	readings(reading.Level, "What is left in the reservoir.",
		float("cm3", "cm3", "volume left"),
		float("percent", "%", "share of the usable volume left"),
		float("grams", "g", "mass left, without the container"),
		float("count_left", "1", "pulses that the display still shows")),
	readings(reading.Status, "The state of a device.",
		float("temperature_c", "Cel", "temperature"),
		float("pressure_bar", "bar", "pressure"),
		float("supply_v", "V", "supply voltage"),
		float("online", "1", "1 while it can be reached, 0 while it cannot"),
		float("every_s", "s", "its own reporting interval")),
	{
		Name: Fact, About: "Dated facts: reservoirs changed, devices swapped, settings, what a person read or weighed.",
		Time: "when it was so, to the millisecond, with a number below 10^6 from its id as the nanoseconds",
		Columns: []Column{
			{Name: "channel", Kind: Tag, About: "kind of the fact: commission, change, swap, setting, weighing, count_left, faults, serial"},
			{Name: "device", Kind: Tag, About: "the dispenser that it is about; left out where it names none"},
			siteTag,
			text("id", "the fact's own id; as `key` of an increment"),
			{Name: "until_ms", Kind: Integer, Unit: "ms", About: "when the device last reported the same again, since 1970 UTC; else the time of the fact"},
			{Name: "person", Kind: Boolean, About: "a person entered it"},
			text("body", "all of it, as a JSON object"),
		},
	},
	{
		Name: Late, About: "The change feed: what was written, changed or taken away at times that had been written up to before. Who keeps a copy asks here what to read again.",
		Time: "when it was sent",
		Columns: []Column{
			{Name: "channel", Kind: Tag, About: "kind and channel, such as run.hours; `fact` for facts"},
			{Name: "device", Kind: Tag, About: "the device; left out for facts"},
			siteTag,
			{Name: "from_ms", Kind: Integer, Unit: "ms", About: "first time that may differ, since 1970 UTC"},
			{Name: "to_ms", Kind: Integer, Unit: "ms", About: "last time that may differ, since 1970 UTC"},
		},
	},
	{
		Name: Forwarded, About: "How far a gateway has forwarded, about once a minute while nothing waits: who works from the database knows by it whether devices are silent or the gateway is.",
		Time: "when it was sent",
		Columns: []Column{
			siteTag,
			{Name: "upto_ms", Kind: Integer, Unit: "ms", About: "all that the gateway had stored then has been written, since 1970 UTC"},
		},
	},
	daily(Usage, "What a machine or a dispenser was used on a civil day.",
		Column{Name: "channel", Kind: Tag, About: "machine or dispenser: whose day it is"},
		Column{Name: "device", Kind: Tag, About: "id of the machine or dispenser"},
		siteTag, dateField,
		text("point", "the point that the dispenser fed"),
		text("machine", "the point's machine, or the machine itself"),
		float("run_hours", "h", "run-hours of the machine"),
		float("pulses", "1", "pulses that the dispenser saw"),
		float("commanded_cm3", "cm3", "volume that setting and use say went out"),
		float("delivered_cm3", "cm3", "volume that evidence says went out; left out where a day cannot be resolved"),
		float("seen", "1", "share of the day that was observed"),
		text("flags", "words, parted by blanks")),
	daily(Forecast, "What was forecast for a point on a civil day.",
		pointTag, siteTag, dateField,
		text("machine", "the point's machine"),
		text("dispenser", "the dispenser that feeds it"),
		text("pacing", "run or pulse"),
		moment("fill_started", "when the reservoir in service was put in"),
		float("capacity_cm3", "cm3", "usable volume put in"),
		float("remaining_cm3", "cm3", "volume left"),
		float("remaining_sd_cm3", "cm3", "standard deviation of that"),
		float("count_left", "1", "pulses that the display should show"),
		float("duty_per_day", "h/d or 1/d", "expected use of the machine: run-hours or pulses a day"),
		float("delivery_factor", "1", "delivered to commanded volume, filtered"),
		float("delivery_factor_sd", "1", "standard deviation of that"),
		text("evidence", "measured, counted or none"),
		ahead("empty_p10", "days_to_empty_p10", "early empty date"),
		daysTo("days_to_empty_p10"),
		ahead("empty_p50", "days_to_empty_p50", "likely empty date"),
		daysTo("days_to_empty_p50"),
		ahead("empty_p90", "days_to_empty_p90", "late empty date"),
		daysTo("days_to_empty_p90"),
		float("beyond_days", "d", "horizon, where a date is beyond it"),
		ahead("change_before", "days_to_change_before", "last day that still has lubricant at the early date"),
		daysTo("days_to_change_before"),
		ahead("planned_empty", "days_to_planned_empty", "empty date by the plan"),
		daysTo("days_to_planned_empty"),
		float("drift_days", "d", "likely less planned empty date"),
		float("chance_before_visit", "1", "chance to be empty before the next visit"),
		civilDate("next_visit", "the next planned visit"),
		text("basis", "rung of the ladder of duty models: plan, daytypes, mixture; with the calibration's version"),
		text("withheld", "why there is no forecast"),
		civilDate("act_before", "last day to act at the wanted chance"),
		float("act_chance", "1", "that chance"),
		civilDate("empty_since", "the day from which it has been empty"),
		moment("level_rose", "when the level rose without a change being reported"),
		float("level_rose_cm3", "cm3", "by how much"),
		texts("notices", "what should be known about it"),
		text("calibration", "version of the calibration")),
	daily(Delivery, "Planned, commanded and delivered volume of a point over the window that ends on a civil day.",
		pointTag, siteTag, dateField,
		moment("from", "beginning of the window"),
		moment("to", "its end"),
		float("planned_cm3", "cm3", "plan dose times actual use"),
		float("commanded_cm3", "cm3", "volume that setting and use say went out"),
		float("delivered_cm3", "cm3", "volume that measured evidence says went out"),
		float("ratio", "1", "delivered to commanded"),
		float("ratio_sd", "1", "standard deviation of that"),
		float("plan_ratio", "1", "delivered, or commanded where nothing is measured, to planned"),
		text("evidence", "measured, counted or none"),
		text("verdict", "as_planned, under, over, not_dispensing, not_observable or too_early"),
		text("why", "the verdict in words")),
	func() Measurement {
		m := daily(Alarm, "Alarms, each once, on the civil day on which it began: renewed while it stands, and when it moves.",
			Column{Name: "device", Kind: Tag, About: "the device or gateway that it is about; left out where it is about none"},
			Column{Name: "point", Kind: Tag, About: "the point that it is about; left out where it is about none"},
			siteTag, dateField,
			text("id", "id of the occurrence"),
			text("type", "alarm type"),
			text("state", "state of the alarm"),
			text("priority", "its priority"),
			text("priority_reason", "why it is another one than usual"),
			moment("since", "when it began"),
			moment("ended", "when it was over"),
			float("value", "as `unit` says", "what was found"),
			float("limit", "as `unit` says", "the limit"),
			text("unit", "unit of value and limit"),
			text("detail", "the value in words"),
			text("cause", "likely cause"),
			text("consequence", "what comes of it"),
			texts("response", "what to do"),
			text("owner", "role that owns it"),
			text("acknowledged_by", "who acknowledged it"),
			moment("acknowledged_at", "when"),
			text("acknowledge_note", "with which words"),
			moment("shelved_until", "until when it is shelved"),
			text("shelved_by", "by whom"),
			text("shelve_reason", "why"),
			texts("children", "what it stands for as well"),
			text("machine", "the point's machine"),
			text("part", "the part of the collector that it is about"),
			moment("announced", "when people were told"),
			moment("escalated_at", "when it was passed on"),
			moment("act_by", "by when to act"),
			texts("suppressed_by", "what keeps it from being announced"),
			text("end_reason", "why it is over"))
		m.Time += ", with a number below 10^6 from its id as the nanoseconds"
		return m
	}(),
	daily(Register, "What stood where on a civil day: join it by `point` where other measurements name points, and by `dispenser` where they name devices.",
		pointTag, siteTag, dateField,
		text("name", "the point's name for people"),
		text("machine", "its machine"),
		text("machine_name", "the machine's name for people"),
		text("criticality", "of the machine: A, B or C"),
		text("area", "the machine's area"),
		text("area_name", "the area's name for people"),
		text("dispenser", "the dispenser that fed it"),
		text("pacing", "run or pulse"),
		text("lubricant", "its lubricant"),
		text("lubricant_name", "the lubricant's name for people"),
		text("reservoir", "kind of reservoir"),
		float("usable_cm3", "cm3", "usable volume of one"),
		float("plan_cm3_per_100h", "cm3/100 h", "planned dose by run-hours"),
		float("plan_cm3_per_day", "cm3/d", "planned dose by days"),
		float("setting_cm3_per_100h", "cm3/100 h", "setting of a run-paced dispenser"),
		float("setting_cm3_per_pulse", "cm3", "setting of a pulse-paced dispenser")),
	{
		Name: Calibrated, About: "What a fleet's past taught the forecasts.",
		Time: "when it was stored, to the millisecond, with a number below 10^6 from its version as the nanoseconds",
		Columns: []Column{
			siteTag,
			text("version", "its version"),
			civilDate("learned", "the last day that was looked at"),
			{Name: "stored_ms", Kind: Integer, Unit: "ms", About: "when it was stored, since 1970 UTC"},
			text("body", "all of it, as a JSON object"),
		},
	},
}
