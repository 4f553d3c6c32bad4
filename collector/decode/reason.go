package decode

import "fmt"

// Reason is why a message was kept aside. The words of String are persisted
// and counted, so they never change; add at the end.
type Reason uint8

// The reasons.
const (
	NoReason Reason = iota
	BadTopic
	WrongSite
	UnknownDevice
	UnknownKind
	WrongDevice
	Empty
	Oversize
	NotUTF8
	NotJSON
	TrailingData
	NotObject
	TooComplex
	DuplicateKey
	NoValue
	NotANumber
	NotABoolean
	NotText
	OutOfRange
	Overflow
	BadTime
	Disagree
	NoStrokeVolume
	NoDensity
	AboveVolume
	BadVolume
	NoIncrementID
	BadSetting
	NotSparkplug
	BadUnit
	BadForm
	reasons // how many there are
)

var reasonWords = [reasons]struct{ word, remedy string }{
	NoReason:       {"none", "nothing to do"},
	BadTopic:       {"bad_topic", "publish to <prefix>/<site>/<device>/<kind>, or say what the topic means under connections.mappings; ids are letters, digits, '.', '_' and '-', at most 64"},
	WrongSite:      {"wrong_site", "check the site level of the topic against the site id in the site file; topics are compared letter by letter"},
	UnknownDevice:  {"unknown_device", "add the device to the site file, or correct the id in the topic; then `dwindle replay --kept` feeds them in again"},
	UnknownKind:    {"unknown_kind", "the last topic level must be run, pulse, dose, level, status or change"},
	WrongDevice:    {"wrong_device", "run is for machines; pulse, dose, level and change are for dispensers; gateways send status only"},
	Empty:          {"empty", "no payload: a retained message was cleared, or the device sends nothing for false or 0; let it send a JSON object"},
	Oversize:       {"oversize", "send at most 256 KiB in one message"},
	NotUTF8:        {"not_utf8", "send text in UTF-8; UTF-16 and binary forms are not read"},
	NotJSON:        {"not_json", "send one complete JSON object; the detail says where reading stopped"},
	TrailingData:   {"trailing_data", "send one JSON object per message and nothing behind it; or set ndjson: true in the mapping"},
	NotObject:      {"not_object", "send a JSON object such as {\"count\":15234}, not a bare value or a list; or say under connections.mappings what it means"},
	TooComplex:     {"too_complex", "send a flat object; at most 32 levels and 10,000 elements are read"},
	DuplicateKey:   {"duplicate_key", "send each field once; which of the two holds cannot be known"},
	NoValue:        {"no_value", "send at least one field of the kind with a value, or map the names that are sent; dwindle check --try shows what is taken of a message"},
	NotANumber:     {"not_a_number", "send a plain JSON number with a decimal point; or say under connections.mappings how it is written"},
	NotABoolean:    {"not_a_boolean", "send true or false, or give the words under true_words and false_words of a mapping"},
	NotText:        {"not_text", "send text of at most 128 bytes"},
	OutOfRange:     {"out_of_range", "the value cannot be; check the sensor, its unit and its scale"},
	Overflow:       {"overflow", "counts are exact up to 9223372036854775807; check the counter's width and sign"},
	BadTime:        {"bad_time", "send \"at\" as RFC 3339 with a zone, or as Unix time in s, ms, us or ns; or say under connections.mappings where the time stands and how it is written"},
	Disagree:       {"disagree", "hours and seconds differ by more than 1 %; send one of them, or correct the unit"},
	NoStrokeVolume: {"no_stroke_volume", "give cm3_per_stroke for the dispenser's model in the site file"},
	NoDensity:      {"no_density", "give the lubricant's density and the reservoir's tare in the site file"},
	AboveVolume:    {"above_volume", "the level exceeds what the reservoir holds; check the unit, or the reservoir given in the site file"},
	BadVolume:      {"bad_volume", "volume_cm3 must be above 0 and at most twice the largest reservoir of the site file"},
	NoIncrementID:  {"no_increment_id", "send a unique id with each pulses message, or better a cumulative count"},
	BadUnit:        {"bad_unit", "give the unit as sent under connections.mappings, one that fits the field"},
	BadSetting:     {"bad_setting", "send the setting as {\"pacing\":\"run\",\"cm3_per_100h\":2.1} or {\"pacing\":\"pulse\",\"cm3_per_pulse\":0.3}"},
	NotSparkplug:   {"not_sparkplug", "topics spBv1.0/... carry the binary payload of Sparkplug B; the detail says where reading stopped"},
	BadForm:        {"bad_form", "the message breaks a rule of its payload form; the detail says which"},
}

// String gives the stable word of the reason.
func (r Reason) String() string {
	if r >= reasons {
		return fmt.Sprintf("reason_%d", uint8(r))
	}
	return reasonWords[r].word
}

// Remedy says in plain words what to do about it.
func (r Reason) Remedy() string {
	if r >= reasons {
		return ""
	}
	return reasonWords[r].remedy
}

// MarshalText gives the stable word.
func (r Reason) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the stable word.
func (r *Reason) UnmarshalText(text []byte) error {
	v, err := ParseReason(string(text))
	if err != nil {
		return err
	}
	*r = v
	return nil
}

// ParseReason reads the stable word of a reason.
func ParseReason(word string) (Reason, error) {
	for r := range reasons {
		if reasonWords[r].word == word {
			return r, nil
		}
	}
	return NoReason, fmt.Errorf("reason %q is not known; one of the words in the list of reasons is expected", word)
}

// Reasons lists all reasons but NoReason, in order.
func Reasons() []Reason {
	out := make([]Reason, 0, reasons-1)
	for r := NoReason + 1; r < reasons; r++ {
		out = append(out, r)
	}
	return out
}
