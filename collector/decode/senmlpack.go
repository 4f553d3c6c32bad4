package decode

import (
	"cmp"
	"encoding/base64"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// How the records of a SenML pack are resolved (RFC 8428 section 4.6).

// resolveSenML reads a pack and resolves its records against now.
func resolveSenML(payload []byte, now time.Time) ([]senmlRecord, *Kept) {
	list, kept := senmlList(payload)
	if kept != nil {
		return nil, kept
	}
	p := pack{now: float64(now.UnixMilli()) / 1e3, records: make([]senmlRecord, 0, len(list))}
	for i, v := range list {
		if r, detail := p.add(v); r != NoReason {
			return nil, &Kept{Reason: r, Detail: "record " + strconv.Itoa(i+1) + ": " + detail}
		}
	}
	if len(p.records) == 0 {
		return nil, &Kept{Reason: NoValue, Detail: "a SenML pack without a value"}
	}
	slices.SortStableFunc(p.records, func(a, b senmlRecord) int { return cmp.Compare(a.t, b.t) })
	return p.records, nil
}

// senmlList gives the records of a pack as they were sent.
func senmlList(payload []byte) ([]value, *Kept) {
	text, kept := textOf(payload)
	if kept != nil {
		return nil, kept
	}
	root, kept := scanText(text)
	if kept != nil {
		return nil, kept
	}
	if root.kind != listValue {
		return nil, &Kept{Reason: BadForm, Detail: "a SenML pack is a list of records"}
	}
	return elements(root), nil
}

// pack is what holds while its records are resolved in turn.
type pack struct {
	now     float64
	records []senmlRecord

	name, unit string
	time       float64
	value, sum string // JSON numbers; empty: none
	version    uint64
	began      bool // a record has been seen, so that its version holds
}

// add resolves one more record.
func (p *pack) add(v value) (Reason, string) {
	if v.kind != objectValue {
		return BadForm, "a record is an object"
	}
	members := object(v)
	var field [senmlLabels]*value
	for i := range members {
		m := &members[i]
		label := slices.Index(senmlLabel[:], m.name)
		switch {
		case label >= 0 && field[label] != nil:
			return DuplicateKey, m.name + ": sent twice"
		case label >= 0:
			field[label] = &m.value
		case strings.HasSuffix(m.name, "_"):
			// RFC 8428 section 4.4.
			return BadForm, "label " + strconv.Quote(clip(m.name)) + " must be understood and is not known"
		}
	}
	if r, detail := p.base(&field); r != NoReason {
		return r, detail
	}
	own := false
	for label := senmlName; label < senmlLabels; label++ {
		own = own || field[label] != nil
	}
	if !own {
		return NoReason, "" // only sets what holds for the next
	}
	return p.resolve(&field)
}

// base takes over the base fields of a record (RFC 8428 section 4.1).
func (p *pack) base(field *[senmlLabels]*value) (Reason, string) {
	version := uint64(senmlVersion)
	if p.began {
		version = p.version
	}
	if v := field[senmlBaseVersion]; v != nil {
		n, err := strconv.ParseUint(string(v.raw), 10, 53)
		if v.kind != numberValue || err != nil || n == 0 {
			return BadForm, "bver: a whole number above 0 is expected"
		}
		// Versions below 10 were drafts of the same labels (the RFC's own
		// example in section 5.1.2 has 5); above, each bit is a feature that
		// must be known (RFC 9100 section 2.2).
		if n >= senmlVersion && (n&senmlVersion != senmlVersion || n&^senmlFeatures != 0) {
			return BadForm, "bver: version " + strconv.FormatUint(n, 10) + " has features that are not known; 10 and 26 are read"
		}
		version = n
	}
	if p.began && version != p.version {
		return BadForm, "bver: all records of a pack have the same version" // RFC 8428 section 4.4
	}
	p.version, p.began = version, true

	for _, b := range [...]struct {
		label, most int
		to          *string
	}{{senmlBaseName, MaxTopic, &p.name}, {senmlBaseUnit, MaxText, &p.unit}} {
		if v := field[b.label]; v != nil {
			if v.kind != textValue || len(v.text) > b.most {
				return NotText, senmlLabel[b.label] + ": text of at most " + strconv.Itoa(b.most) + " bytes is expected"
			}
			*b.to = v.text
		}
	}
	if v := field[senmlBaseTime]; v != nil {
		t, r, detail := seconds(v, "bt")
		if r != NoReason {
			return r, detail
		}
		p.time = t
	}
	for _, b := range [...]struct {
		label int
		to    *string
	}{{senmlBaseValue, &p.value}, {senmlBaseSum, &p.sum}} {
		if v := field[b.label]; v != nil {
			text, r, detail := numeral(v, senmlLabel[b.label])
			if r != NoReason {
				return r, detail
			}
			*b.to = text
		}
	}
	return NoReason, ""
}

// resolve makes a record of regular fields and of what holds.
func (p *pack) resolve(field *[senmlLabels]*value) (Reason, string) {
	out := senmlRecord{name: p.name, unit: p.unit, label: senmlLabels}
	if v := field[senmlName]; v != nil {
		if v.kind != textValue || len(p.name)+len(v.text) > MaxTopic {
			return NotText, "n: text of at most " + strconv.Itoa(MaxTopic) + " bytes is expected"
		}
		out.name += v.text
	}
	if !senmlNamed(out.name) {
		return BadForm, "name " + strconv.Quote(clip(out.name)) + " must begin with a letter or digit and have only letters, digits and - : . / _"
	}
	if v := field[senmlUnit]; v != nil {
		if v.kind != textValue || len(v.text) > MaxText {
			return NotText, "u: a short text is expected"
		}
		out.unit = v.text
	}
	for _, label := range [...]int{senmlValue, senmlText, senmlBool, senmlData} {
		if field[label] == nil {
			continue
		}
		if out.label != senmlLabels {
			return BadForm, senmlLabel[out.label] + " and " + senmlLabel[label] + " in one record; it has one value"
		}
		out.label = label
		out.value = *field[label]
	}
	if r, detail := p.vet(&out); r != NoReason {
		return r, detail
	}
	if v := field[senmlSum]; v != nil || p.sum != "" {
		text := "0"
		if v != nil {
			var r Reason
			var detail string
			if text, r, detail = numeral(v, "s"); r != NoReason {
				return r, detail
			}
		}
		sum, ok := addNumbers(p.sum, text)
		if !ok {
			return Overflow, "bs and s: the sum is too large"
		}
		out.sum = sum
	} else if out.label == senmlLabels {
		return NoValue, "none of v, vs, vb, vd and s"
	}
	var t float64
	for _, b := range [...]struct {
		label int
		to    *float64
	}{{senmlTime, &t}, {senmlUpdate, &out.update}} {
		if v := field[b.label]; v != nil {
			x, r, detail := seconds(v, senmlLabel[b.label])
			if r != NoReason {
				return r, detail
			}
			*b.to = x
		}
	}
	out.update = max(out.update, 0) // a time until the next that is not above 0 says nothing
	out.t = p.time + t
	if out.t < senmlAbsolute {
		out.relative, out.offset = true, out.t
		out.t += p.now
	}
	p.records = append(p.records, out)
	return NoReason, ""
}

// vet checks the one value of a record against its label and adds the base
// value to a number.
func (p *pack) vet(out *senmlRecord) (Reason, string) {
	if out.label == senmlLabels || out.value.kind == nullValue {
		return NoReason, ""
	}
	switch out.label {
	case senmlValue:
		text, r, detail := numeral(&out.value, "v")
		if r != NoReason || p.value == "" {
			return r, detail
		}
		sum, ok := addNumbers(p.value, text)
		if !ok {
			return Overflow, "bv and v: the sum is too large"
		}
		out.value = value{kind: numberValue, raw: []byte(sum)}
	case senmlText:
		if out.value.kind != textValue {
			return NotText, "vs: text is expected"
		}
	case senmlBool:
		if out.value.kind != boolValue {
			return NotABoolean, "vb: true or false is expected"
		}
	case senmlData:
		// RFC 4648 section 5, without padding; padding does no harm.
		_, err := base64.RawURLEncoding.DecodeString(strings.TrimRight(out.value.text, "="))
		if out.value.kind != textValue || err != nil {
			return BadForm, "vd: base64 in the alphabet for URLs is expected"
		}
	}
	return NoReason, ""
}

// seconds reads a time field.
func seconds(v *value, label string) (float64, Reason, string) {
	text, r, detail := numeral(v, label)
	if r != NoReason {
		return 0, r, detail
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, Overflow, label + ": " + clip(text) + " is too large"
	}
	return x, NoReason, ""
}

// numeral gives a number as it was written; a number sent as text is taken.
func numeral(v *value, label string) (string, Reason, string) {
	switch {
	case v.kind == numberValue:
		return string(v.raw), NoReason, ""
	case v.kind == textValue:
		// JSON has the decimal point; what else a text may be is for the field.
		if q, err := readNumber(v.text, "point", ""); err == nil && q.exact == nil && q.symbol == "" {
			return q.text, NoReason, ""
		}
	}
	return "", NotANumber, label + ": a number is expected"
}

// addNumbers adds two decimal numbers, whole ones exactly. An empty base adds
// nothing.
func addNumbers(base, text string) (string, bool) {
	if base == "" {
		return text, true
	}
	a, errA := strconv.ParseInt(base, 10, 64)
	b, errB := strconv.ParseInt(text, 10, 64)
	if errA == nil && errB == nil {
		sum := a + b
		return strconv.FormatInt(sum, 10), (sum > a) == (b > 0)
	}
	x, errX := strconv.ParseFloat(base, 64)
	y, errY := strconv.ParseFloat(text, 64)
	sum := x + y
	if errX != nil || errY != nil || math.IsInf(sum, 0) {
		return "", false
	}
	return strconv.FormatFloat(sum, 'g', -1, 64), true
}

// senmlNamed says whether a full name is made as RFC 8428 section 4.5.1 wants.
func senmlNamed(name string) bool {
	for i := range len(name) {
		c := name[i]
		if isLetter(c) || isDigit(c) {
			continue
		}
		if i == 0 || !strings.ContainsRune("-:./_", rune(c)) {
			return false
		}
	}
	return name != ""
}
