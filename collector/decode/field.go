package decode

import (
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// fields gives access to the members of one object by exact name, collecting
// what was coerced or missing and the first fault. After a fault all reads
// give nothing, so callers check once at the end.
type fields struct {
	members []member
	prefix  string  // for details: "setting."
	kind    string  // of the message, for the units of its fields
	density float64 // of the device's lubricant, g/cm3; 0: not known
	coerced int
	missing []string
	notes   []string
	fault   *Kept
	how     *how // of the field found last
}

// keep records the first fault.
func (f *fields) keep(r Reason, name, detail string) {
	if f.fault == nil {
		if f.how != nil && f.how.from != "" {
			name += " (from " + clip(f.how.from) + ")"
		}
		f.fault = &Kept{Reason: r, Detail: f.prefix + name + ": " + detail}
	}
}

// find gets a field: by exact name first, else by the only name that differs
// in case alone. A name sent twice is a fault wherever it is used.
func (f *fields) find(name string) *value {
	if f.fault != nil {
		return nil
	}
	var exact, folded *value
	f.how = nil
	foldedCount := 0
	for i := range f.members {
		m := &f.members[i]
		switch {
		case m.name == name:
			if exact != nil {
				f.keep(DuplicateKey, name, "sent twice")
				return nil
			}
			exact, f.how = &m.value, m.how
		case len(m.name) == len(name) && strings.EqualFold(m.name, name):
			folded = &m.value
			foldedCount++
		}
	}
	switch {
	case exact != nil:
		return exact
	case foldedCount == 1:
		f.coerced++
		return folded
	case foldedCount > 1:
		f.keep(DuplicateKey, name, "sent twice, in different case")
	}
	return nil
}

// present finds a field that has a value; one without is noted as missing.
func (f *fields) present(name string) *value {
	v := f.find(name)
	if v == nil {
		return nil
	}
	if emptiness(v) != "" {
		f.missing = append(f.missing, f.prefix+name)
		return nil
	}
	return v
}

// emptiness says that a value stands for none; empty where it does not.
func emptiness(v *value) string {
	if v.kind == nullValue || v.kind == textValue && placeholder(v.text) {
		return "no value"
	}
	return ""
}

// placeholder lists the texts that devices send for "no value".
func placeholder(text string) bool {
	if text = strings.TrimFunc(text, blank); len(text) > 16 {
		return false
	}
	if strings.Trim(text, "-*?/_. ") == "" {
		return true
	}
	switch strings.ToLower(text) {
	case "n", "n/a", "n.a.", "na", "null", "none", "nil", "undefined", "nan", "-nan", "inf", "-inf", "+inf", "infinity", "-infinity",
		"1.#qnan", "-1.#ind", "1.#inf", "-1.#inf": // the last four are how some C libraries print them
		return true
	}
	return false
}

// number gets a numeric field within [low, high].
func (f *fields) number(name string, low, high float64) (float64, bool) {
	text, ok := f.numeral(name, false)
	if !ok {
		return 0, false
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		f.keep(Overflow, name, clip(text)+" is too large")
		return 0, false
	}
	if x < low || x > high {
		f.keep(OutOfRange, name, clip(text)+" is outside "+short(low)+" to "+short(high))
		return 0, false
	}
	if x == 0 {
		x = 0 // drop the sign of a negative zero
	}
	return x, true
}

// count gets an exact whole number of at least low.
func (f *fields) count(name string, low int64) (int64, bool) {
	text, ok := f.numeral(name, true)
	if !ok {
		return 0, false
	}
	text = strings.TrimPrefix(text, "+")
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		if n, ok = f.wholeDecimal(name, text); !ok {
			return 0, false
		}
	}
	if n < low {
		f.keep(OutOfRange, name, text+" is below "+strconv.FormatInt(low, 10))
		return 0, false
	}
	return n, true
}

// wholeDecimal reads whole numbers written with a point or an exponent, such
// as 15234.0 or 1.5e3, without going through a float.
func (f *fields) wholeDecimal(name, text string) (int64, bool) {
	x, err := strconv.ParseFloat(text, 64)
	// The bound comes first: it keeps the exact arithmetic below small.
	if err != nil || math.Abs(x) > 1e19 {
		f.keep(Overflow, name, clip(text)+" is beyond 9223372036854775807")
		return 0, false
	}
	if x != 0 && math.Abs(x) < 1e-6 || len(text) > 64 {
		f.keep(NotANumber, name, clip(text)+" is no whole number")
		return 0, false
	}
	if x == 0 {
		return 0, true
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok || !r.IsInt() {
		f.keep(NotANumber, name, clip(text)+" is no whole number")
		return 0, false
	}
	if !r.Num().IsInt64() {
		f.keep(Overflow, name, clip(text)+" is beyond 9223372036854775807")
		return 0, false
	}
	return r.Num().Int64(), true
}

// boolean gets a field of two states. An unknown word is a fault, never false.
func (f *fields) boolean(name string) (on, ok bool) {
	v := f.present(name)
	if v == nil {
		return false, false
	}
	switch v.kind {
	case boolValue:
		return v.raw[0] == 't', true
	case numberValue:
		if on, ok := f.how.state(string(v.raw)); ok {
			return on, true
		}
		if x, err := strconv.ParseFloat(string(v.raw), 64); err == nil && (x == 0 || x == 1) {
			f.coerced++
			return x == 1, true
		}
	case textValue:
		word := strings.ToLower(strings.TrimFunc(v.text, blank))
		if on, ok := f.how.state(word); ok {
			return on, true
		}
		switch word {
		case "true", "on", "1", "1.0", "yes", "run", "running", "started", "active", "online":
			f.coerced++
			return true, true
		case "false", "off", "0", "0.0", "no", "stop", "stopped", "idle", "inactive", "offline":
			f.coerced++
			return false, true
		}
	}
	f.keep(NotABoolean, name, clip(string(v.raw))+" is neither true nor false")
	return false, false
}

// text gets a text field; a number is taken as its digits, since ids and
// serials are often numeric.
func (f *fields) text(name string) string {
	v := f.find(name)
	if v == nil || v.kind == nullValue {
		return ""
	}
	var text string
	switch v.kind {
	case textValue:
		text = strings.TrimSpace(v.text)
	case numberValue:
		f.coerced++
		text = string(v.raw)
	default:
		f.keep(NotText, name, "text is expected")
		return ""
	}
	if len(text) > MaxText {
		f.keep(NotText, name, "longer than "+strconv.Itoa(MaxText)+" bytes")
		return ""
	}
	return text
}

// words gets a list of texts; present is false where the field was not sent.
func (f *fields) words(name string) (out []string, present bool) {
	v := f.find(name)
	if v == nil || v.kind == nullValue {
		return nil, false
	}
	if v.kind != listValue {
		f.keep(NotText, name, "a list of words is expected")
		return nil, false
	}
	s := &scanner{in: v.raw}
	items, fault := s.list(1)
	if fault != nil || len(items) > MaxFaults {
		f.keep(NotText, name, "more than "+strconv.Itoa(MaxFaults)+" words")
		return nil, false
	}
	for _, item := range items {
		word := strings.TrimSpace(item.text)
		if item.kind != textValue || word == "" || len(word) > MaxText {
			f.keep(NotText, name, "each fault is one word of at most "+strconv.Itoa(MaxText)+" bytes")
			return nil, false
		}
		out = append(out, word)
	}
	return out, true
}

// object gets a nested object as fields of its own.
func (f *fields) object(name string) *fields {
	v := f.find(name)
	if v == nil || v.kind == nullValue {
		return f.flat(name)
	}
	if v.kind != objectValue {
		f.keep(BadSetting, name, "an object is expected")
		return nil
	}
	return &fields{members: object(*v), prefix: f.prefix + name + ".", kind: f.kind, density: f.density}
}

// flat gathers a nested object whose fields were mapped one by one.
func (f *fields) flat(name string) *fields {
	if f.fault != nil {
		return nil
	}
	var members []member
	for _, m := range f.members {
		if inner, ok := strings.CutPrefix(m.name, name+"."); ok {
			members = append(members, member{name: inner, value: m.value, how: m.how})
		}
	}
	if members == nil {
		return nil
	}
	return &fields{members: members, prefix: f.prefix + name + ".", kind: f.kind, density: f.density}
}

// state reads a word that the mapping gives for one of the two states.
func (h *how) state(word string) (on, ok bool) {
	if h == nil {
		return false, false
	}
	same := func(w string) bool { return strings.EqualFold(w, word) }
	on = slices.ContainsFunc(h.trueWords, same)
	return on, on || slices.ContainsFunc(h.falseWords, same)
}

// clip shortens a text of a device for a detail, at a rune boundary.
func clip(text string) string {
	const most = 48
	if len(text) <= most {
		return text
	}
	cut := most
	for cut > 0 && !utf8.RuneStart(text[cut]) {
		cut--
	}
	return text[:cut] + "..."
}

func short(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }
