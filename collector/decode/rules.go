package decode

import (
	"bytes"
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// Spec is what a site file says about messages.
type Spec struct {
	Prefix   string // of the native topics
	Site     string // its id
	Zone     *time.Location
	Mappings []mapping.Mapping
	Ignore   []string // topic filters
}

// Rules are a Spec, compiled once for each site file.
type Rules struct {
	prefix, site string
	native       string // what native topics begin with
	zone         *time.Location
	mappings     []rule
	ignore       []string
}

// rule is a mapping, compiled.
type rule struct {
	label  string // name or topic, for messages
	named  bool
	topic  *mapping.Template
	form   *form // nil: recognised
	device string
	each   string
	ndjson bool
	time   *timeRule
	values []valueRule
}

type timeRule struct {
	field, base *mapping.Pattern
	unit        string
	zone        *time.Location
	relative    bool
}

type valueRule struct {
	from    *mapping.Pattern // nil: fixed alone
	fixed   *value
	kind    reading.Kind
	field   string
	channel string
	device  string
	how     *how
}

// how says how a value was written, where a mapping or a form knows.
type how struct {
	from       string // its name in the payload
	unit       string
	scale      *big.Rat
	decimal    string // point, comma or empty
	bare       bool   // the payload is the value: a text, whatever it looks like
	trueWords  []string
	falseWords []string
}

// Compile makes rules. A mapping that cannot work is left out and told in the
// error, which joins all of them; the rules can be used all the same.
func Compile(spec Spec) (*Rules, error) {
	r := &Rules{prefix: strings.Trim(spec.Prefix, "/"), site: spec.Site, zone: spec.Zone, ignore: slices.Clone(spec.Ignore)}
	if r.prefix == "" {
		r.prefix = "lube/v1"
	}
	r.native = r.prefix + "/"
	if r.zone == nil {
		r.zone = time.UTC
	}
	var faults []string
	for i := range spec.Mappings {
		one, err := r.compile(&spec.Mappings[i])
		if err != nil {
			faults = append(faults, fmt.Sprintf("mapping %d (%s): %v", i+1, clip(spec.Mappings[i].Topic), err))
			continue
		}
		r.mappings = append(r.mappings, one)
	}
	if faults != nil {
		return r, fmt.Errorf("%s; see dwindle check", strings.Join(faults, "; "))
	}
	return r, nil
}

func (r *Rules) compile(m *mapping.Mapping) (out rule, err error) {
	if problems := m.Check(); len(problems) > 0 {
		return out, fmt.Errorf("%s: %s", problems[0].Key, problems[0].What)
	}
	if out.topic, err = mapping.ParseTemplate(m.Topic, r.site); err != nil {
		return out, err
	}
	out.label, out.named = cmp.Or(m.Name, m.Topic), m.Name != ""
	if m.Form != "" {
		if out.form = formNamed(m.Form); out.form == nil {
			return out, fmt.Errorf("form %s is not read", m.Form)
		}
	}
	out.device, out.ndjson = m.Device, m.NDJSON
	if out.device == "" {
		out.device = "{device}"
	}
	if m.Each != "" {
		if out.each, err = mapping.CanonicalPath(m.Each); err != nil {
			return out, err
		}
		if out.each == "" {
			out.each = "."
		}
	}
	if m.Time != nil {
		if out.time, err = r.compileTime(m); err != nil {
			return out, err
		}
	}
	for i := range m.Values {
		v, err := r.compileValue(m, &m.Values[i])
		if err != nil {
			return out, err
		}
		out.values = append(out.values, v)
	}
	return out, nil
}

func (r *Rules) compileTime(m *mapping.Mapping) (*timeRule, error) {
	t := &timeRule{unit: m.Time.Unit, zone: r.zone, relative: m.Time.Relative}
	var err error
	if t.field, err = m.Pattern(m.Time.Field, r.site); err != nil {
		return nil, err
	}
	if m.Time.Base != "" {
		if t.base, err = m.Pattern(m.Time.Base, r.site); err != nil {
			return nil, err
		}
	}
	if m.Time.Zone != "" {
		t.zone, err = time.LoadLocation(m.Time.Zone)
	}
	return t, err
}

func (r *Rules) compileValue(m *mapping.Mapping, v *mapping.MappedValue) (out valueRule, err error) {
	kind, field, _ := strings.Cut(v.As, ".")
	out = valueRule{kind: reading.Kind(kind), field: field, channel: v.Channel, device: v.Device}
	if v.From != "" || v.Fixed == "" {
		if out.from, err = m.Pattern(v.From, r.site); err != nil {
			return out, err
		}
	}
	if v.Fixed != "" {
		fixed := scalarValue([]byte(v.Fixed))
		out.fixed = &fixed
	}
	out.how = &how{from: v.From, unit: v.Unit, decimal: m.Decimal, trueWords: v.TrueWords, falseWords: v.FalseWords}
	if v.Scale != 0 && v.Scale != 1 {
		// The shortest decimal that stands for the number is what was written.
		out.how.scale, _ = new(big.Rat).SetString(strconv.FormatFloat(v.Scale, 'g', -1, 64))
	}
	return out, nil
}

// wants says that a name may be one that the mapping takes.
func (m *rule) wants(name []byte) bool {
	if m.time != nil {
		if fits(m.time.field, name) || m.time.base != nil && fits(m.time.base, name) {
			return true
		}
	} else if timeName(string(name)) {
		return true
	}
	for i := range m.values {
		if p := m.values[i].from; p != nil && fits(p, name) {
			return true
		}
	}
	return false
}

// fits compares a name with a pattern, case left out where it holds no names.
func fits(p *mapping.Pattern, name []byte) bool {
	if text, ok := p.Literal(); ok {
		return len(text) == len(name) && bytes.EqualFold([]byte(text), name)
	}
	return p.Match(string(name), nil)
}

// timeName lists the usual names of a message's time. A capital T is more
// often a temperature.
func timeName(name string) bool {
	switch strings.ToLower(name) {
	case "at", "ts", "time", "timestamp", "timestamp_ms":
		return true
	}
	return name == "t"
}

// find gives the first mapping that a topic fits.
func (r *Rules) find(topic string) (*rule, mapping.Vars) {
	for i := range r.mappings {
		if vars, ok := r.mappings[i].topic.Match(topic); ok {
			return &r.mappings[i], vars
		}
	}
	return nil, nil
}

// Understood is a message that was understood: a sample for each device and
// kind that it speaks of.
type Understood struct {
	Mapping string // that was used, by name or topic; empty: a native message
	Form    string // that was read
	Samples []Decoded
	// Ignored counts the values in the payload that no mapping takes, of JSON
	// the first 64; Others names the first of them.
	Ignored int
	Others  []string
	// Beside are values of devices that are not in the register or cannot have
	// them, such as run-hours of a dispenser, where the message holds others that
	// can be used: those are stored, these kept.
	Beside []Kept
	// Skipped says that the site file wants messages of this topic ignored.
	Skipped bool
}

// Decode decodes one message: a native one by its kind, another by the first
// mapping that fits its topic. Exactly one of the results is meaningful.
//
// A message is taken whole or kept aside whole, also where it holds values of
// several devices, but for two things: a value that no mapping takes is
// ignored and counted, and values of a device that is not in the register, or
// of which it can have none, stand in Beside when there are others.
//
// m.Received is taken as it is (a replayed message keeps its own receive
// time); now is used only where it is zero.
func Decode(m reading.Message, rules *Rules, reg Register, now time.Time) (Understood, *Kept) {
	return rules.decode(m, reg, now, nil)
}

// Step is one value on its way from the payload to a field, for people who
// want to see what becomes of a message.
type Step struct {
	Device string
	Field  string // such as run.hours
	From   string // name in the payload; empty for a bare or fixed value
	Sent   string // as it was sent, shortened
	Unit   string // that was given by the mapping or the form, if any
	Fixed  bool   // not sent but given by the mapping
	// Missing says why there is no value: it was sent empty, or with a quality
	// that is not good. Empty: there is one.
	Missing string
	Time    string // name of the time that was used; empty: none was sent
}

// Explain is Decode that also tells the steps, even those of a message that is
// kept aside.
func Explain(m reading.Message, rules *Rules, reg Register, now time.Time) (Understood, *Kept, []Step) {
	var steps []Step
	u, kept := rules.decode(m, reg, now, func(s Step) { steps = append(steps, s) })
	return u, kept, steps
}

func (r *Rules) decode(m reading.Message, reg Register, now time.Time, tell func(Step)) (Understood, *Kept) {
	if r.skips(m.Topic) {
		return Understood{Skipped: true}, nil
	}
	if strings.HasPrefix(m.Topic, r.native) || len(m.Topic) > MaxTopic || !utf8.ValidString(m.Topic) {
		d, kept := native(m, r.prefix, r.site, reg, now, tell)
		if kept != nil {
			return Understood{}, kept
		}
		return Understood{Form: "native", Samples: []Decoded{d}}, nil
	}
	rule, vars := r.find(m.Topic)
	if rule == nil {
		return Understood{}, &Kept{Reason: BadTopic, Detail: "topic " + strconv.Quote(clip(m.Topic)) + " is neither native nor mapped"}
	}
	return r.mapped(m, rule, vars, reg, now, tell)
}

func (r *Rules) skips(topic string) bool {
	return slices.ContainsFunc(r.ignore, func(f string) bool { return mapping.Covers(f, topic) })
}
