// Package mapping says what a message of another payload form means: which
// topic it comes on, which names in it are which native fields, with which
// unit and time. It holds what a site file gives under connections.mappings,
// and the three small languages in it:
//
//   - a topic template, such as silo/{area}/{machine}/plc/{channel}: levels as
//     in MQTT, where {name} takes a level or a part of one, + takes any level
//     and a trailing # any rest. See [ParseTemplate].
//   - a name in a payload, such as d.cnt[0].v: a JSON path, or the name of a
//     record, metric or property, which may hold {name} as well. See
//     [ParsePattern].
//   - a device, such as {machine} or {area}-{machine}: a text with the names
//     filled in.
//
// The first mapping that fits a topic is used. Identity that the topic gives
// wins over the payload's.
//
// It is a leaf beside config/unit, read by config to check and by the
// collector to decode. Start with [Mapping] and [Check].
package mapping

// Mapping says what the messages of some topics mean.
type Mapping struct {
	Name  string `yaml:"name,omitempty"`  // for messages about it
	Topic string `yaml:"topic,omitempty"` // template
	// Form is one of [Forms]; empty: recognised by what the payload looks like.
	Form string `yaml:"form,omitempty"`
	// Device is a template; empty: {device}, else {machine}.
	Device string `yaml:"device,omitempty"`
	// Each names a list in JSON, "." the payload itself, whose elements count
	// as a message each: names in Time and Values then begin at the element.
	Each string `yaml:"each,omitempty"`
	// NDJSON says that a payload may hold several JSON values behind one
	// another; each counts as a message.
	NDJSON bool `yaml:"ndjson,omitempty"`
	// Decimal says how numbers in texts are written: point or comma. Empty:
	// either, and what can be read both ways is refused.
	Decimal string        `yaml:"decimal,omitempty"`
	Time    *MappedTime   `yaml:"time,omitempty"`
	Values  []MappedValue `yaml:"values,omitempty"`
}

// MappedTime says where the time of a message stands.
type MappedTime struct {
	// Field is a name as in MappedValue.From.
	Field string `yaml:"field,omitempty"`
	// Unit of a number: s, ms, us or ns; empty: by its magnitude.
	Unit string `yaml:"unit,omitempty"`
	// Zone of a time of day without one, an IANA name; empty: the site's.
	Zone string `yaml:"zone,omitempty"`
	// Relative says that the number counts from Base or, without one, from the
	// receive time; below 0 is before. Its unit is s where none is given.
	Relative bool   `yaml:"relative,omitempty"`
	Base     string `yaml:"base,omitempty"`
}

// MappedValue says what one value of a message is.
type MappedValue struct {
	// From names the value; empty: the bare value, or in a JSON object its
	// only one of value, val and v.
	From string `yaml:"from,omitempty"`
	// Fixed is a value that is not sent but always the same. With From as
	// well it is taken where that is there, and is neither false nor 0.
	Fixed string `yaml:"fixed,omitempty"`
	// As is the native field, one of [Fields].
	As string `yaml:"as,omitempty"`
	// Channel: only on topics with this {channel}.
	Channel string `yaml:"channel,omitempty"`
	// Unit as sent; empty: the one that the form carries, else the field's.
	Unit string `yaml:"unit,omitempty"`
	// Scale is what the number is multiplied by, before the unit; 0 is 1.
	Scale float64 `yaml:"scale,omitempty"`
	// Device overrides that of the mapping.
	Device string `yaml:"device,omitempty"`
	// Words beyond the usual ones for the two states of a boolean.
	TrueWords  []string `yaml:"true_words,omitempty"`
	FalseWords []string `yaml:"false_words,omitempty"`
}

// Forms are the payload forms that a mapping can name.
var Forms = []string{"json", "scalar", "senml", "cloudevents", "opcua", "homie", "sparkplug"}

// Filter is the MQTT topic filter that brings the mapping's messages; empty
// where the topic cannot be read.
func (m *Mapping) Filter(site string) string {
	t, err := ParseTemplate(m.Topic, site)
	if err != nil {
		return ""
	}
	return t.Filter()
}
