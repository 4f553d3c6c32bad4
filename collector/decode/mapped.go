package decode

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// mostOthers bounds the names of ignored values that are told, mostBeside the
// unknown devices of one message that are put on record.
const (
	mostOthers = 8
	mostBeside = 16
)

// reader turns the items of one message into samples.
type reader struct {
	rule     *rule
	vars     mapping.Vars
	tell     func(Step) // nil: nobody wants to know
	bare     bool       // the payload is one bare value
	received time.Time
	items    []item
	used     []bool
	drafts   []draft
	index    map[draftKey]int
	moments  map[int]moment // by part, of the message's own time
	times    *timeItems     // nil: not yet looked for
}

// draft is a sample under way.
type draft struct {
	device string
	kind   reading.Kind
	when   moment
	fields []member
}

type draftKey struct {
	device string
	kind   reading.Kind
	at     int64
	own    bool
	part   int
}

// mapped decodes a message by a mapping. What is kept aside names the mapping,
// if that has a name, and the device of the topic.
func (r *Rules) mapped(m reading.Message, rule *rule, vars mapping.Vars, reg Register, now time.Time, tell func(Step)) (Understood, *Kept) {
	vars["site"] = r.site
	u, kept := r.byRule(m, rule, vars, reg, now, tell)
	if kept == nil {
		return u, nil
	}
	if rule.named {
		kept.Detail = "mapping " + rule.label + ": " + kept.Detail
	}
	if kept.Device == "" {
		if id, ok := rule.deviceOf(vars); ok {
			kept.Device = id
		}
	}
	return Understood{}, kept
}

func (r *Rules) byRule(m reading.Message, rule *rule, vars mapping.Vars, reg Register, now time.Time, tell func(Step)) (Understood, *Kept) {
	if reason, detail := sized(m.Payload); reason != NoReason {
		return Understood{}, &Kept{Reason: reason, Detail: detail}
	}
	received := receivedAt(m, now)
	in := input{topic: m.Topic, payload: m.Payload, received: received, wants: rule.wants, each: rule.each, ndjson: rule.ndjson}
	f := rule.form
	if f == nil {
		f = recognise(m.Topic, m.Payload)
	}
	items, kept := f.read(in)
	if kept != nil {
		return Understood{}, kept
	}
	if items != nil && len(items) == 0 {
		return Understood{Mapping: rule.label, Form: f.name}, nil
	}
	rd := &reader{rule: rule, tell: tell, vars: vars, bare: f.name == scalarForm.name, received: received, items: items, used: make([]bool, len(items)), index: map[draftKey]int{}, moments: map[int]moment{}}
	if kept := rd.take(); kept != nil {
		return Understood{}, kept
	}
	out := Understood{Mapping: rule.label, Form: f.name}
	out.Ignored, out.Others = rd.others()
	if len(rd.drafts) == 0 && f.partial != nil && f.partial(m.Topic) {
		return out, nil
	}
	if len(rd.drafts) == 0 {
		detail := "nothing of it is mapped"
		if len(out.Others) > 0 {
			detail += "; it holds " + strings.Join(out.Others, ", ")
		}
		return Understood{}, &Kept{Reason: NoValue, Detail: detail}
	}
	if kept := rd.vet(&out, reg, m.Retained); kept != nil {
		return Understood{}, kept
	}
	return out, nil
}

// vet judges all samples; the first that is refused keeps the message aside.
func (rd *reader) vet(out *Understood, reg Register, retained bool) *Kept {
	var noValue *Kept
	for i := range rd.drafts {
		d := &rd.drafts[i]
		dev, kept := lookup(reg, d.device, d.kind)
		if kept != nil {
			if !slices.ContainsFunc(out.Beside, func(k Kept) bool { return k.Device == d.device && k.Reason == kept.Reason }) && len(out.Beside) < mostBeside {
				out.Beside = append(out.Beside, *kept)
			}
			continue
		}
		s := sample{device: d.device, kind: d.kind, fields: &fields{members: d.fields}, when: d.when}
		decoded, kept := s.vet(dev, rd.received, retained)
		switch {
		case kept != nil && kept.Reason == NoValue:
			// A sensor without a value does not silence the others.
			noValue = cmp.Or(noValue, kept)
		case kept != nil:
			return kept
		default:
			out.Samples = append(out.Samples, decoded)
		}
	}
	switch {
	case len(out.Samples) > 0:
		return nil
	case noValue != nil:
		return noValue
	}
	return &out.Beside[0]
}

// others are the values that no mapping took, those inside a list or object
// that was taken left out.
func (rd *reader) others() (n int, names []string) {
	var whole []string
	for i, used := range rd.used {
		if it := &rd.items[i]; used && nested(it.value) {
			whole = append(whole, it.name)
		}
	}
	inside := func(name string) bool {
		return slices.ContainsFunc(whole, func(outer string) bool {
			return len(name) > len(outer) && strings.HasPrefix(name, outer) && (name[len(outer)] == '.' || name[len(outer)] == '[')
		})
	}
	for i, used := range rd.used {
		name := rd.items[i].name
		if used || name == "" || len(whole) > 0 && len(whole) <= mostOthers && inside(name) {
			continue
		}
		n++
		if name = clip(name); len(names) < mostOthers && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return n, names
}

// take finds for each value of the mapping the items that it means.
func (rd *reader) take() *Kept {
	for i := range rd.rule.values {
		if v := &rd.rule.values[i]; v.from != nil && rd.here(v) {
			if kept := rd.takeValue(v); kept != nil {
				return kept
			}
		}
	}
	for i := range rd.rule.values {
		if v := &rd.rule.values[i]; v.from == nil && rd.here(v) {
			if kept := rd.fix(v); kept != nil {
				return kept
			}
		}
	}
	return nil
}

// here says that the topic is not one of another channel than the value's.
func (rd *reader) here(v *valueRule) bool {
	topic, ok := rd.vars["channel"]
	return !ok || v.channel == "" || v.channel == topic
}

// takeValue takes the items that one value of the mapping means: by exact
// name, else by the only one that differs in case alone.
func (rd *reader) takeValue(v *valueRule) *Kept {
	text, literal := v.from.Literal()
	exact := false
	for i := range rd.items {
		if !v.from.Match(rd.items[i].name, nil) {
			continue
		}
		exact = true
		vars := rd.vars
		if !literal {
			vars = maps.Clone(rd.vars)
			v.from.Match(rd.items[i].name, vars) // what the topic gives stays
		}
		if kept := rd.put(v, i, vars); kept != nil {
			return kept
		}
	}
	if exact || !literal || text == "" {
		return nil
	}
	found := -1
	for i := range rd.items {
		if !strings.EqualFold(rd.items[i].name, text) {
			continue
		}
		if found >= 0 && rd.items[found].name != rd.items[i].name {
			return &Kept{Reason: DuplicateKey, Detail: text + ": sent twice, in different case"}
		}
		found = i
		if kept := rd.put(v, i, rd.vars); kept != nil {
			return kept
		}
	}
	return nil
}

// put adds an item to the sample that it belongs to.
func (rd *reader) put(v *valueRule, i int, vars mapping.Vars) *Kept {
	it := &rd.items[i]
	if v.channel != "" && vars["channel"] != v.channel {
		return nil
	}
	device, ok := rd.device(v, vars)
	if _, literal := v.from.Literal(); !ok && !literal {
		return nil // the name fits and holds something else than a device
	} else if !ok {
		return &Kept{Reason: BadTopic, Detail: strconv.Quote(clip(device)) + " is no valid id of a device"}
	}
	rd.used[i] = true
	when, kept := rd.when(it)
	if kept != nil {
		kept.Device = device
		return kept
	}
	val := it.value
	if it.bad != "" {
		val = value{kind: nullValue}
	}
	if v.fixed != nil {
		on, kept := happened(it.name, val, v.how)
		if kept != nil {
			kept.Device = device
			return kept
		}
		if !on {
			return nil
		}
		val = *v.fixed
	}
	h := *v.how
	h.from, h.bare = it.name, rd.bare
	if h.unit == "" && v.fixed == nil {
		h.unit = it.unit
	}
	if rd.tell != nil {
		rd.tell(Step{Device: device, Field: string(v.kind) + "." + v.field, From: it.name, Sent: clip(string(it.value.raw)), Unit: h.unit, Fixed: v.fixed != nil, Missing: cmp.Or(it.bad, emptiness(&val)), Time: when.source})
	}
	d := rd.draft(device, v.kind, when, it.part)
	d.fields = append(d.fields, member{name: v.field, value: val, how: &h})
	if it.id != "" && (v.field == "pulses" || v.field == "volume_cm3") {
		d.fields = append(d.fields, member{name: "id", value: value{kind: textValue, raw: []byte(it.id), text: it.id}})
	}
	if it.everyS > 0 {
		text := strconv.FormatFloat(it.everyS, 'g', -1, 64)
		every := rd.draft(device, reading.Status, when, it.part)
		if !slices.ContainsFunc(every.fields, func(m member) bool { return m.name == "every_s" }) {
			if rd.tell != nil {
				rd.tell(Step{Device: device, Field: string(reading.StatusEveryS), From: it.name, Sent: text, Unit: "s", Time: when.source})
			}
			every.fields = append(every.fields, member{name: "every_s", value: value{kind: numberValue, raw: []byte(text)}})
		}
	}
	return nil
}

// happened says that a value stands for something that is there: it is true,
// or a number other than 0.
func happened(name string, v value, h *how) (bool, *Kept) {
	f := &fields{members: []member{{name: name, value: v, how: h}}}
	if v.kind == numberValue {
		x, err := strconv.ParseFloat(string(v.raw), 64)
		return err != nil || x != 0, nil // too large a number is not 0
	}
	on, sent := f.boolean(name)
	return on && sent, f.fault
}

// fix adds a value that is not sent: to the samples of its kind, or to one of
// its own.
func (rd *reader) fix(v *valueRule) *Kept {
	device, ok := rd.device(v, rd.vars)
	if !ok {
		return &Kept{Reason: BadTopic, Detail: strconv.Quote(clip(device)) + " is no valid id of a device"}
	}
	fixed := member{name: v.field, value: *v.fixed, how: v.how}
	// A part of an object says nothing where the rest of it is not there.
	within := ""
	if object, _, nested := strings.Cut(v.field, "."); nested {
		within = object + "."
	}
	found := false
	for i := range rd.drafts {
		if d := &rd.drafts[i]; d.kind == v.kind && (v.device == "" || d.device == device) && d.holds(within) {
			d.fields = append(d.fields, fixed)
			found = true
		}
	}
	if found || within != "" {
		return nil
	}
	when, kept := rd.when(&item{})
	if kept != nil {
		return kept
	}
	if rd.tell != nil {
		rd.tell(Step{Device: device, Field: string(v.kind) + "." + v.field, Sent: clip(string(v.fixed.raw)), Fixed: true, Time: when.source})
	}
	d := rd.draft(device, v.kind, when, 0)
	d.fields = append(d.fields, fixed)
	return nil
}

// holds says that a field whose name begins so was sent.
func (d *draft) holds(begin string) bool {
	return slices.ContainsFunc(d.fields, func(m member) bool { return strings.HasPrefix(m.name, begin) })
}

// device says whose a value is; without a valid id ok is false.
func (rd *reader) device(v *valueRule, vars mapping.Vars) (id string, ok bool) {
	if v.device == "" {
		return rd.rule.deviceOf(vars)
	}
	id, ok = vars.Fill(v.device)
	return id, ok && ValidID(id)
}

// deviceOf says which device the mapping means.
func (m *rule) deviceOf(vars mapping.Vars) (id string, ok bool) {
	id, ok = vars.Fill(m.device)
	if !ok && m.device == "{device}" {
		id, ok = vars["machine"]
	}
	return id, ok && ValidID(id)
}

// draft finds or begins the sample of a device, kind and time.
func (rd *reader) draft(device string, kind reading.Kind, when moment, part int) *draft {
	key := draftKey{device, kind, when.at.UnixMilli(), when.fromDevice, part}
	i, ok := rd.index[key]
	if !ok {
		i = len(rd.drafts)
		rd.index[key] = i
		rd.drafts = append(rd.drafts, draft{device: device, kind: kind, when: when})
	}
	return &rd.drafts[i]
}
