package mapping

// Type is what a native field takes.
type Type uint8

// The types of fields.
const (
	Number  Type = iota // a measure
	Count               // a whole number, exact
	Boolean             // one of two states
	Text                // a word, an id
	Words               // a list of words
	Object              // a nested object
)

// Field is a field of a native kind, named as the quantity: kind, dot, field.
type Field struct {
	Name string
	Type Type
	// Unit of Number and Count, as [FindUnit] knows it.
	Unit string
}

// Fields are all native fields that a mapping can fill.
var Fields = []Field{
	{"run.running", Boolean, ""},
	{"run.hours", Number, "h"},
	{"run.seconds", Number, "s"},
	{"pulse.count", Count, "count"},
	{"pulse.pulses", Count, "count"},
	{"pulse.id", Text, ""},
	{"dose.cm3", Number, "cm3"},
	{"dose.strokes", Count, "count"},
	{"level.cm3", Number, "cm3"},
	{"level.percent", Number, "%"},
	{"level.grams", Number, "g"},
	{"level.count_left", Count, "count"},
	{"status.temperature_c", Number, "Cel"},
	{"status.pressure_bar", Number, "bar"},
	{"status.supply_v", Number, "V"},
	{"status.every_s", Number, "s"},
	{"status.online", Boolean, ""},
	{"status.faults", Words, ""},
	{"status.serial", Text, ""},
	{"status.setting", Object, ""},
	{"status.setting.pacing", Text, ""},
	{"status.setting.cm3_per_100h", Number, "cm3"},
	{"status.setting.cm3_per_pulse", Number, "cm3"},
	{"change.volume_cm3", Number, "cm3"},
	{"change.id", Text, ""},
	{"change.item", Text, ""},
	{"change.batch", Text, ""},
	{"change.serial", Text, ""},
	{"change.residual_cm3", Number, "cm3"},
	{"change.residual_g", Number, "g"},
}

var fieldOf = func() map[string]Field {
	out := make(map[string]Field, len(Fields))
	for _, f := range Fields {
		out[f.Name] = f
	}
	return out
}()

// FieldNamed finds a native field.
func FieldNamed(name string) (Field, bool) {
	f, ok := fieldOf[name]
	return f, ok
}

// FieldNames lists the names of all of them.
func FieldNames() []string {
	out := make([]string, len(Fields))
	for i, f := range Fields {
		out[i] = f.Name
	}
	return out
}
