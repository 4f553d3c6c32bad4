package export

import (
	"slices"

	"dwindle/collector/reading"
)

// Type is what a column holds. How each format writes it stands in [Types].
type Type string

// The types.
const (
	TextType    Type = "text"
	NumberType  Type = "number"
	CountType   Type = "count"
	TruthType   Type = "boolean"
	InstantType Type = "instant"
	DateType    Type = "date"
	ListType    Type = "list"
)

// Form is how a type is written in each format.
type Form struct {
	Type      Type   `json:"type"`
	CSV       string `json:"csv"`
	JSONLines string `json:"jsonl"`
	Parquet   string `json:"parquet"`
	Meaning   string `json:"meaning,omitempty"`
}

// Types are all types and how they are written.
var Types = []Form{
	{TextType, "text", "string", "STRING", "UTF-8; ids as they stand in the site file, words as the dictionary lists them"},
	{NumberType, "decimal point, no grouping", "number", "DOUBLE", "a quantity in the column's unit; computed ones have nine significant digits in text and all of a double in Parquet"},
	{CountType, "digits", "number", "INT64", "an exact whole number up to 2^63-1; beyond 2^53 many readers of JSON round it, CSV and Parquet keep it"},
	{TruthType, "true, false", "true, false", "BOOLEAN", ""},
	{InstantType, "2026-11-25T13:45:00.000Z", "the same, a string", "TIMESTAMP, milliseconds, adjusted to UTC", "an instant in UTC, to the millisecond"},
	{DateType, "2026-11-25", "the same, a string", "DATE", "a civil day of the site, in the zone that the column zone names"},
	{ListType, "a JSON array", "an array of strings", "LIST of STRING", "none is no list, [] a list of nothing"},
}

// Column describes one column.
type Column struct {
	Name    string `json:"name"`
	Type    Type   `json:"type"`
	Unit    string `json:"unit,omitempty"` // 1 for shares and ratios; empty where there is none
	Meaning string `json:"meaning"`
	Empty   string `json:"empty,omitempty"` // when there is no value; empty: there always is one
}

// Table describes one table. A table of periods has the name of its table of
// days.
type Table struct {
	Name    string   `json:"table"`
	Period  bool     `json:"by_period,omitempty"` // what --by asks for
	Row     string   `json:"row"`                 // what one row is
	Order   string   `json:"order"`               // of the rows
	Options string   `json:"options"`             // what --from, --to and the selection mean
	Columns []Column `json:"columns"`
	// AsRead says that figures are what was read, not computed.
	AsRead bool `json:"-"`
}

// Find gives the description of a table.
func Find(name string, period bool) (Table, bool) {
	i := slices.IndexFunc(Tables, func(t Table) bool { return t.Name == name && t.Period == period })
	if i < 0 {
		return Table{}, false
	}
	return Tables[i], true
}

// Columns that several tables have.
var (
	pointColumn     = Column{"point", TextType, "", "the lube point", ""}
	machineColumn   = Column{"machine", TextType, "", "the machine that the point is on", ""}
	dispenserColumn = Column{"dispenser", TextType, "", "the dispenser that was mounted at the point", ""}
	zoneColumn      = Column{"zone", TextType, "", "the site's time zone (IANA), in which its days begin and end", ""}
	flagsColumn     = Column{"flags", TextType, "", "what is special, words separated by a space, see Flags", "nothing is"}
)

// Tables is the data dictionary: all tables with their columns, in order.
var Tables = []Table{
	{
		Name: "readings", Row: "one value of a channel of a device at one time, as it was read", AsRead: true,
		Order:   "by device, then by time",
		Options: "--from and --to by the column at. --point takes the dispensers that were mounted there, each for its time there; --machine also the machine's own; --area also the gateways'",
		Columns: []Column{
			{"device", TextType, "", "the machine, dispenser or gateway that the value is of", ""},
			{"quantity", TextType, "", "what was read, kind and field; the field names the unit, see Quantities", ""},
			{"at", InstantType, "", "when it held: the device's own time, else the time of receipt", ""},
			{"received", InstantType, "", "when it came in", ""},
			{"time_from_device", TruthType, "", "whether at came with the message", ""},
			{"value", NumberType, "of the quantity", "the value; of a counter its stand, not the increase", ""},
			{"count", CountType, "1", "the same, exact", "the quantity is not counted"},
			{"key", TextType, "", "the id of an increment", "the quantity is not pulse.pulses"},
			flagsColumn,
			{"point", TextType, "", "where the dispenser was mounted at that time", "the device is no dispenser, or was mounted nowhere"},
			{"machine", TextType, "", "the machine itself, or the one that the point is on now", "neither is known"},
			{"area", TextType, "", "the area of the machine now, or of the gateway", "none is given"},
		},
	},
	{
		Name: "usage", Row: "one dispenser on one civil day at one point; days of which nothing is known are left out",
		Order:   "by point as in the site file, then by day",
		Options: "--from and --to by day",
		Columns: []Column{
			dispenserColumn, pointColumn, machineColumn,
			{"date", DateType, "", "the civil day", ""},
			{"run_hours", NumberType, "h", "run-hours of the machine on that day, as far as observed", "nothing of the day is known"},
			{"pulses", NumberType, "1", "controller pulses, as far as observed; a day that begins or ends between two readings has parts of one", "nothing of the day is known, or the dispenser reports none"},
			{"commanded_cm3", NumberType, "cm3", "what the setting makes of the use", "use or setting is not known"},
			{"delivered_cm3", NumberType, "cm3", "what was measured to go out", "nothing is measured, or the day cannot be resolved: neither what went out nor what was commanded stands out of the resolution of the sensor"},
			{"seen", NumberType, "1", "share of the day, or of the dispenser's part of it, in which use was observed", ""},
			flagsColumn, zoneColumn,
		},
	},
	{
		Name: "usage", Period: true, Row: "one dispenser in one civil period (day, ISO 8601 week, month) at one point; periods of which nothing is known are left out",
		Order:   "by point as in the site file, then by period",
		Options: "--from and --to cut the first and last period",
		Columns: []Column{
			dispenserColumn, pointColumn, machineColumn,
			{"from", DateType, "", "first day of the period, as far as asked for and as the dispenser was there", ""},
			{"to", DateType, "", "its last day", ""},
			{"run_hours", NumberType, "h", "sum over the days, as far as observed", "nothing of the period is known"},
			{"pulses", NumberType, "1", "sum over the days, as far as observed", "nothing of the period is known, or the dispenser reports none"},
			{"commanded_cm3", NumberType, "cm3", "sum over the days, as far as use was observed", "use or setting is not known"},
			{"delivered_cm3", NumberType, "cm3", "what was measured to go out in the whole of the period", "nothing is measured, or a part cannot be resolved: a day without a level, a change of the reservoir, or too small an amount for the sensor"},
			{"seen", NumberType, "1", "share of the time from the first to the last day in which use was observed", ""},
			flagsColumn, zoneColumn,
		},
	},
	{
		Name: "machines", Row: "one machine on one civil day; days of which nothing is known are left out",
		Order:   "by machine as in the site file, then by day",
		Options: "--from and --to by day; --point is refused, a point has no hours of its own",
		Columns: []Column{
			{"machine", TextType, "", "the machine", ""},
			{"date", DateType, "", "the civil day", ""},
			{"run_hours", NumberType, "h", "run-hours, as far as observed", ""},
			{"seen", NumberType, "1", "share of the day that was observed", ""},
			flagsColumn, zoneColumn,
		},
	},
	{
		Name: "trends", Row: "consumption of one point, machine, area or lubricant over the days from --from to --to, by regression of each day's volume on that day's run-hours through the origin",
		Order:   "points, machines, areas, lubricants, each as in the site file",
		Options: "--from and --to are the days of the regression. With --point the point alone, with --machine the machine and its points, with --area the area, its machines and points; lubricants only without",
		Columns: []Column{
			{"group", TextType, "", "point, machine, area or lubricant", ""},
			{"id", TextType, "", "its id", ""},
			{"from", DateType, "", "first day used", "no day can be used"},
			{"to", DateType, "", "last day used", "no day can be used"},
			{"days", CountType, "d", "days used: those on which volume and run-hours of all its points are known", ""},
			{"cm3_per_100h", NumberType, "cm3/100 h", "slope: volume per 100 run-hours, of a group per 100 hours of its machines together", "fewer than 10 days, or no spread in use"},
			{"se", NumberType, "cm3/100 h", "standard error of the slope, by blocks of successive days, so that days that are like their neighbours do not make it too small; 0 where a commanded volume follows its setting exactly", "as the slope"},
			{"low", NumberType, "cm3/100 h", "lower end of the 90 % interval", "as the slope"},
			{"high", NumberType, "cm3/100 h", "upper end of the 90 % interval", "as the slope"},
			{"cm3_per_day", NumberType, "cm3/d", "mean volume of the days used", "no day can be used"},
			{"change_marks", ListType, "", "dates of changed reservoirs and settings, swaps and commissionings, with which the trend must be read", ""},
			{"volume", TextType, "", "what the volume is: delivered (measured), commanded, or mixed (some points' measured, others' commanded)", ""},
			{"points", CountType, "1", "points that were added up", ""},
			{"left_out", CountType, "1", "points of it of which no day is known, so that what they consume is not in the figures", ""},
			zoneColumn,
		},
	},
	{
		Name: "forecasts", Row: "the forecast of one point as of now, or of --at", Order: "by point as in the site file",
		Options: "--from and --to are refused: want --at",
		Columns: []Column{
			pointColumn, machineColumn,
			{"dispenser", TextType, "", "the dispenser now at the point", "none is"},
			{"pacing", TextType, "", "run or pulse", "no setting is known"},
			{"fill_started", InstantType, "", "when the reservoir in service was put in", "no change is known"},
			{"capacity_cm3", NumberType, "cm3", "usable volume that was put in", "it is not known"},
			{"remaining_cm3", NumberType, "cm3", "what is left", "it is not known"},
			{"remaining_sd_cm3", NumberType, "cm3", "its standard deviation", "as what is left"},
			{"count_left", CountType, "pulses", "what the display of a pulse-paced dispenser should show", "it has none, or it is not known"},
			{"duty_per_day", NumberType, "h/d or pulses/d", "expected mean use over the forecast, hours of a run-paced dispenser, pulses of a pulse-paced one", "no forecast"},
			{"delivery_factor", NumberType, "1", "share of what is commanded that really goes out", "it is not known"},
			{"delivery_factor_sd", NumberType, "1", "its standard deviation", "as the delivery factor"},
			{"evidence", TextType, "", "what the volume rests on: measured, counted (the device's own arithmetic) or none", ""},
			{"empty_p10", DateType, "", "early end of the range: one in ten is empty by then", "withheld, or beyond the horizon"},
			{"empty_p50", DateType, "", "likely date", "withheld, or beyond the horizon"},
			{"empty_p90", DateType, "", "late end of the range: nine in ten are empty by then", "withheld, or beyond the horizon"},
			{"beyond_days", CountType, "d", "the horizon, beyond which one of the dates lies", "none lies beyond it"},
			{"change_before", DateType, "", "last day that still has lubricant at the early date", "withheld, or beyond the horizon"},
			{"planned_empty", DateType, "", "empty date by plan dose and planned use", "there is no plan"},
			{"drift_days", CountType, "d", "likely date minus planned one; negative is earlier", "one of the two is not known"},
			{"chance_before_visit", NumberType, "1", "chance of being empty before the next visit", "withheld, or no visit is planned"},
			{"next_visit", DateType, "", "the next planned visit", "none is planned"},
			{"basis", TextType, "", "the rung of the models: plan, daytypes or mixture; with the version of the calibration", "withheld"},
			{"withheld", TextType, "", "why there is no forecast", "there is one"},
			{"act_before", DateType, "", "last day before the chance of running dry passes act_chance", "withheld, or beyond the horizon"},
			{"act_chance", NumberType, "1", "the chance that the site's costs accept", "withheld, or beyond the horizon"},
			{"empty_since", DateType, "", "about when the reservoir ran empty, by estimate", "it did not"},
			{"level_rose", InstantType, "", "when the level was first seen to have risen without a recorded change", "it was not"},
			{"level_rose_cm3", NumberType, "cm3", "to what it rose", "it did not"},
			{"notices", ListType, "", "what else one must know to use the figures", ""},
			{"calibration", TextType, "", "version of the calibration that made the range", "none did"},
			{"at", InstantType, "", "the instant of which the forecast is", ""},
			zoneColumn,
		},
	},
	{
		Name: "delivery", Row: "planned, commanded and delivered volume of one point over the window of its verdict (28 days, less after a change)", Order: "by point as in the site file",
		Options: "--from and --to are refused without --by: want --at",
		Columns: []Column{
			pointColumn,
			{"from", InstantType, "", "where the window begins", ""},
			{"to", InstantType, "", "where it ends", ""},
			{"planned_cm3", NumberType, "cm3", "plan dose x use of the machine", "plan or use is not known"},
			{"commanded_cm3", NumberType, "cm3", "what the setting makes of the use", "setting or use is not known"},
			{"delivered_cm3", NumberType, "cm3", "what measured evidence says went out", "nothing is measured, or it is too early"},
			{"ratio", NumberType, "1", "delivered / commanded", "as delivered"},
			{"ratio_sd", NumberType, "1", "its standard deviation", "as delivered"},
			{"plan_ratio", NumberType, "1", "delivered (commanded, where nothing is measured) / planned", "planned is not known or 0"},
			{"evidence", TextType, "", "measured, counted (the device's own arithmetic) or none", ""},
			{"verdict", TextType, "", "as_planned, under, over, not_dispensing, not_observable or too_early", ""},
			{"why", TextType, "", "the verdict in words", "it needs none"},
		},
	},
	{
		Name: "delivery", Period: true, Row: "planned, commanded and delivered volume of one point in one civil period (day, ISO 8601 week, month), over all dispensers and fills; periods of which nothing is known are left out",
		Order:   "by point as in the site file, then by period",
		Options: "--from and --to cut the first and last period",
		Columns: []Column{
			pointColumn, machineColumn,
			{"from", DateType, "", "first day of the period, as far as asked for", ""},
			{"to", DateType, "", "its last day", ""},
			{"planned_cm3", NumberType, "cm3", "plan dose x use of the machine, as far as observed; with a plan per day, x the days that are no planned shutdown and have come", "plan or use is not known"},
			{"commanded_cm3", NumberType, "cm3", "what the settings make of the use, as far as observed", "use or setting is not known"},
			{"delivered_cm3", NumberType, "cm3", "what was measured to go out in the whole of the period", "nothing is measured, or a part cannot be resolved: a day without a level, a change of the reservoir, or too small an amount for the sensor"},
			{"resolved", NumberType, "1", "share of the days whose delivered and commanded volume are both known", ""},
			{"ratio", NumberType, "1", "delivered / commanded of those days together, from the last level before to the last one in them", "they are none, or too few for the sensor"},
			{"ratio_sd", NumberType, "1", "its standard deviation, of what the sensor can tell: the resolution of the level, or 2 % and a dose at either end", "as the ratio"},
			{"plan_ratio", NumberType, "1", "delivered / planned; commanded / planned where nothing is measured", "one of the two is not known, or planned is 0 or too little for the sensor"},
			{"evidence", TextType, "", "what delivered rests on: measured or none", ""},
			{"seen", NumberType, "1", "share of the time from the first to the last day in which use was observed", ""},
			zoneColumn,
		},
	},
	{
		Name: "alarms", Row: "one occurrence of an alarm, the ended ones too", Order: "newest first",
		Options: "--from and --to by the column since: what began then",
		Columns: []Column{
			{"id", TextType, "", "the occurrence", ""},
			{"type", TextType, "", "the type of alarm", ""},
			{"point", TextType, "", "the point that it is about", "it is about no point"},
			{"device", TextType, "", "the device that it is about", "it is about no device"},
			{"gateway", TextType, "", "the gateway that it is about", "it is about no gateway"},
			{"state", TextType, "", "where it stands now", ""},
			{"priority", TextType, "", "high, medium or low", ""},
			{"since", InstantType, "", "when the condition began", ""},
			{"ended", InstantType, "", "when it ended", "it lasts"},
			{"value", NumberType, "of the column unit", "what was seen", "the alarm has no figure"},
			{"limit", NumberType, "of the column unit", "the limit that it passed", "the alarm has no figure"},
			{"unit", TextType, "", "the unit of value and limit", "the alarm has no figure"},
			{"cause", TextType, "", "likely causes", ""},
			{"consequence", TextType, "", "what happens if it is left alone", ""},
			{"response", TextType, "", "what to do first, numbered", ""},
			{"owner", TextType, "", "the role that has to act", ""},
			{"acknowledged_by", TextType, "", "who has acknowledged it", "nobody"},
			{"shelved_until", InstantType, "", "until when it is shelved", "it is not"},
			{"part", TextType, "", "the part of the collector that is in trouble", "it is about none"},
			{"machine", TextType, "", "the machine that it is about, or that its point is on", "it is about none"},
		},
	},
	{
		Name: "changes", Row: "one dated fact: what a person entered or a device reported beside readings. One that was corrected is left out; the one that corrects names it", Order: "by time",
		Options: "--from and --to by the column at; --point also what a device reported while it was mounted there",
		Columns: []Column{
			{"id", TextType, "", "the fact", ""},
			{"kind", TextType, "", "commission, change, swap, setting, weighing, count_left, faults or serial", ""},
			{"point", TextType, "", "the point that was named, or where the device was mounted then", "none was named, and the device was mounted nowhere"},
			{"device", TextType, "", "the device; after a swap the new one", "none was named"},
			{"at", InstantType, "", "when it happened", ""},
			{"received", InstantType, "", "when it was entered or came in", ""},
			{"by", TextType, "", "who entered it", "a device reported it"},
			{"note", TextType, "", "what else was said", "nothing was"},
			{"corrects", TextType, "", "id of the fact that this one replaces", "none"},
			{"volume_cm3", NumberType, "cm3", "volume put in", "it was not told"},
			{"residual_cm3", NumberType, "cm3", "left in the old reservoir", "it was not told"},
			{"residual_g", NumberType, "g", "left in the old reservoir", "it was not told"},
			{"item", TextType, "", "stores' number of the reservoir", "it was not told"},
			{"batch", TextType, "", "batch of the lubricant", "it was not told"},
			{"serial", TextType, "", "serial of the dispenser", "it was not told"},
			{"old_device", TextType, "", "swap: the dispenser taken off", "no swap, or not told"},
			{"pacing", TextType, "", "setting: run or pulse", "no setting"},
			{"cm3_per_100h", NumberType, "cm3/100 h", "setting of a run-paced dispenser", "no such setting"},
			{"cm3_per_pulse", NumberType, "cm3", "setting of a pulse-paced dispenser", "no such setting"},
			{"cm3", NumberType, "cm3", "weighing: left", "it was not told"},
			{"grams", NumberType, "g", "weighing: left, tare taken off", "it was not told"},
			{"count_left", CountType, "pulses", "what the display showed", "it was not told"},
			{"faults", ListType, "", "fault words of the device; [] when they are gone", "the fact is of another kind"},
			{"accepted", TruthType, "", "commissioning: whether it was accepted", "no commissioning"},
			{"reason", TextType, "", "commissioning: why it was refused", "it was not"},
		},
	},
}

// Word is a word that a column uses, and what it means.
type Word struct {
	Word    string `json:"word"`
	Unit    string `json:"unit,omitempty"`
	Meaning string `json:"meaning"`
}

// Quantities are the words of the column quantity, with the unit of its value.
var Quantities = []Word{
	{string(reading.RunRunning), "0 or 1", "the machine runs"},
	{string(reading.RunHours), "h", "stand of its hour counter"},
	{string(reading.RunSeconds), "s", "the same in seconds"},
	{string(reading.PulseCount), "1", "stand of the counter of controller pulses"},
	{string(reading.PulseIncrement), "1", "pulses since the message before, with an id each"},
	{string(reading.DoseCM3), "cm3", "stand of the counter of dispensed volume"},
	{string(reading.DoseStrokes), "1", "stand of the counter of strokes"},
	{string(reading.LevelCM3), "cm3", "left in the reservoir"},
	{string(reading.LevelPercent), "% of the usable volume", "left in the reservoir"},
	{string(reading.LevelGrams), "g", "left in the reservoir, tare taken off"},
	{string(reading.LevelCountLeft), "pulses", "what the display still shows"},
	{string(reading.StatusTempC), "degrees Celsius", "temperature of the device"},
	{string(reading.StatusBar), "bar", "pressure"},
	{string(reading.StatusVolt), "V", "supply or battery"},
	{string(reading.StatusOnline), "0 or 1", "the device is connected"},
	{string(reading.StatusEveryS), "s", "its own reporting interval"},
}

// FlagWords are the words of the column flags.
var FlagWords = []Word{
	{reading.ReceiveTime.String(), "", "the device sent no usable time, so that of receipt counts"},
	{reading.Conflict.String(), "", "another value came for the same time; a counter keeps the larger, anything else the later received"},
	{reading.Retained.String(), "", "the broker replayed it"},
	{reading.Gap.String(), "", "how much is known, but not when within the gap"},
	{reading.Reset.String(), "", "a counter began again"},
	{reading.Rollover.String(), "", "a counter wrapped"},
	{reading.Rewind.String(), "", "a counter went back to an old saved value"},
	{reading.Glitch.String(), "", "a reading was passed over as a passing disturbance"},
	{reading.LowerBound.String(), "", "more may have happened than was counted"},
	{reading.Held.String(), "", "a jump waits to be confirmed"},
	{reading.Rebased.String(), "", "a confirmed jump, not booked as use"},
	{reading.Capped.String(), "", "more than physically possible was claimed"},
	{reading.Disagreement.String(), "", "state and counter disagree for long"},
	{reading.Inexact.String(), "", "a count beyond 2^53, which a store kept as a float"},
	{reading.Corrected.String(), "", "its message was run again under corrected rules"},
	{reading.Suspect.String(), "", "held back: unit, source or device in doubt"},
}
