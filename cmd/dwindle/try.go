package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"dwindle/cmd/internal/text"
	"dwindle/collector"
	"dwindle/collector/decode"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/mapping"
)

// tried is what would become of a message.
type tried struct {
	Topic   string       `json:"topic"`
	Mapping string       `json:"mapping,omitempty"`
	Form    string       `json:"form,omitempty"`
	Stored  []triedValue `json:"stored"`
	Missing []triedValue `json:"missing,omitempty"` // fields without a value
	// NotStored is why nothing is stored although nothing is wrong.
	NotStored string      `json:"not_stored,omitempty"`
	Kept      *triedKept  `json:"kept,omitempty"`
	Beside    []triedKept `json:"beside,omitempty"` // values of unknown devices
	Ignored   int         `json:"ignored,omitempty"`
	Names     []string    `json:"ignored_names,omitempty"` // the first of them
	Notes     []string    `json:"notes,omitempty"`
}

// triedValue is one reading or fact.
type triedValue struct {
	Device   string         `json:"device"`
	Quantity string         `json:"quantity"` // of a fact its kind
	Value    any            `json:"value,omitempty"`
	Unit     string         `json:"unit,omitempty"`
	From     string         `json:"from,omitempty"`
	Sent     string         `json:"sent,omitempty"`
	SentUnit string         `json:"sent_unit,omitempty"`
	At       time.Time      `json:"at,omitzero"`
	AtFrom   string         `json:"at_from,omitempty"`
	Flags    []string       `json:"flags,omitempty"`
	Fact     map[string]any `json:"fact,omitempty"`
	Why      string         `json:"why,omitempty"` // of a missing value
}

type triedKept struct {
	Device string `json:"device,omitempty"`
	Reason string `json:"reason"`
	Detail string `json:"detail"`
	Remedy string `json:"remedy"`
}

// try shows what would be stored of one message.
func (c checkCmd) try(e *env, site *config.Site) error {
	payload := []byte(c.Payload)
	if c.Payload == "-" {
		var err error
		if payload, err = io.ReadAll(io.LimitReader(e.in, decode.MaxPayload+1)); err != nil {
			return fmt.Errorf("read the payload from standard input: %w", err)
		}
	}
	received, err := c.Received.in(site.Location(), e.now)
	if err != nil {
		return err
	}
	m := reading.Message{Topic: c.Try, Payload: payload, Received: received, Retained: c.Retained}
	u, kept, steps, err := collector.Try(site, m, received)
	if err != nil {
		return err
	}
	t := newTried(c.Try, u, kept, steps)
	if u.Form == "homie" {
		t.Notes = append(t.Notes, decode.HomieHints(c.Try, payload)...)
	}
	if c.JSON {
		err = writeJSON(e.out, t)
	} else {
		err = t.print(e.out, site)
	}
	if err == nil && kept != nil {
		err = errSilent
	}
	return err
}

func keptOf(k *decode.Kept) triedKept {
	return triedKept{Device: k.Device, Reason: k.Reason.String(), Detail: k.Detail, Remedy: k.Reason.Remedy()}
}

func newTried(topic string, u decode.Understood, kept *decode.Kept, steps []decode.Step) tried {
	t := tried{Topic: topic, Mapping: u.Mapping, Form: u.Form, Stored: []triedValue{}, Ignored: u.Ignored, Names: u.Others}
	if kept != nil {
		k := keptOf(kept)
		t.Kept = &k
		return t
	}
	for i := range u.Beside {
		t.Beside = append(t.Beside, keptOf(&u.Beside[i]))
	}
	if u.Skipped {
		t.NotStored = "the site file wants messages of this topic ignored (connections.ignore)"
	}
	for i := range u.Samples {
		d := &u.Samples[i]
		if d.StateOnly {
			t.NotStored = "replayed by the broker without a time of its own: nobody can say when it was true"
		}
		t.Notes = append(t.Notes, d.Notes...)
		if d.Hint != "" {
			t.Notes = append(t.Notes, fmt.Sprintf("time %q: %s", d.RawAt, d.Hint))
		}
		for k := range d.Readings {
			t.Stored = append(t.Stored, readingTried(&d.Readings[k], d, &steps))
		}
		for k := range d.Facts {
			t.Stored = append(t.Stored, factTried(&d.Facts[k], &steps))
		}
	}
	for _, s := range steps {
		if s.Missing != "" {
			t.Missing = append(t.Missing, triedValue{Device: s.Device, Quantity: s.Field, From: s.From, Sent: s.Sent, Why: s.Missing})
		}
	}
	slices.Sort(t.Notes)
	t.Notes = slices.Compact(t.Notes)
	return t
}

// pull takes the first step of a field out of the list.
func pull(steps *[]decode.Step, device, field string) (decode.Step, bool) {
	i := slices.IndexFunc(*steps, func(s decode.Step) bool { return s.Device == device && s.Field == field && s.Missing == "" })
	if i < 0 {
		return decode.Step{}, false
	}
	s := (*steps)[i]
	*steps = slices.Delete(*steps, i, i+1)
	return s, true
}

func readingTried(r *reading.Reading, d *decode.Decoded, steps *[]decode.Step) triedValue {
	f, _ := mapping.FieldNamed(string(r.Quantity))
	v := triedValue{Device: r.Device, Quantity: string(r.Quantity), Value: r.Value, Unit: f.Unit, At: r.At, Flags: strings.Fields(r.Flags.String())}
	switch {
	case r.Quantity.Exact():
		v.Value = json.Number(strconv.FormatInt(r.Count, 10))
	case f.Type == mapping.Boolean:
		v.Value = r.Value == 1
	}
	s, _ := pull(steps, r.Device, string(r.Quantity))
	v.From, v.Sent, v.SentUnit = s.From, s.Sent, s.Unit
	if s.Fixed {
		v.Sent += " (fixed)"
	}
	v.AtFrom = cmp.Or(s.Time, "received")
	return v
}

func factTried(f *reading.Fact, steps *[]decode.Step) triedValue {
	v := triedValue{Device: f.Device, Quantity: string(f.Kind), At: f.At, AtFrom: "received", Fact: map[string]any{}}
	text, err := json.Marshal(f)
	if err != nil || json.Unmarshal(text, &v.Fact) != nil {
		return v // finite numbers and texts: cannot fail
	}
	for _, key := range []string{"id", "kind", "device", "at", "received", "content"} {
		delete(v.Fact, key)
	}
	var from, sent []string
	for field := range fieldsOfFact(f.Kind) {
		if s, ok := pull(steps, f.Device, field); ok {
			from, sent = append(from, s.From), append(sent, s.Sent)
			v.AtFrom = cmp.Or(s.Time, v.AtFrom)
		}
	}
	v.From, v.Sent = strings.Join(from, ", "), strings.Join(sent, ", ")
	return v
}

// fieldsOfFact gives the native fields that a fact is made of.
func fieldsOfFact(kind reading.FactKind) func(yield func(string) bool) {
	begin := map[reading.FactKind]string{reading.FactChange: "change.", reading.FactSetting: "status.setting", reading.FactSerial: "status.serial", reading.FactFaults: "status.faults"}[kind]
	return func(yield func(string) bool) {
		for _, f := range mapping.Fields {
			if begin != "" && strings.HasPrefix(f.Name, begin) && !yield(f.Name) {
				return
			}
		}
	}
}

// print writes it for people.
func (t *tried) print(w io.Writer, site *config.Site) error {
	switch {
	case t.Mapping != "":
		fmt.Fprintf(w, "mapping %s, read as %s\n", t.Mapping, t.Form)
	case t.Form != "":
		fmt.Fprintf(w, "a %s message\n", t.Form)
	}
	if k := t.Kept; k != nil {
		_, err := fmt.Fprintf(w, "kept aside: %s: %s\ntry: %s\n", k.Reason, k.Detail, k.Remedy)
		return err
	}
	if len(t.Stored) > 0 {
		table := text.NewTable(text.Column{Head: "device"}, text.Column{Head: "quantity"}, text.Column{Head: "value", Right: true}, text.Column{Head: "unit"},
			text.Column{Head: "as sent", Wrap: true}, text.Column{Head: "time"}, text.Column{Head: "time from", Wrap: true}, text.Column{Head: "flags", Wrap: true})
		for i := range t.Stored {
			v := &t.Stored[i]
			table.Row(v.Device, v.Quantity, v.shown(), v.Unit, v.origin(), v.At.In(site.Location()).Format("2006-01-02T15:04:05.999Z07:00"), v.AtFrom, strings.Join(v.Flags, " "))
		}
		fmt.Fprintln(w)
		if err := table.Write(w, text.Width(w)); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	if t.NotStored != "" {
		fmt.Fprintln(w, "nothing is stored:", t.NotStored)
	} else if len(t.Stored) == 0 {
		fmt.Fprintln(w, "nothing is stored: the message is known and holds no values")
	}
	for _, v := range t.Missing {
		fmt.Fprintf(w, "without a value: %s of %s (%s): %s\n", v.Quantity, v.Device, v.origin(), v.Why)
	}
	for _, k := range t.Beside {
		fmt.Fprintf(w, "not stored: %s; try: %s\n", k.Detail, k.Remedy)
	}
	if t.Ignored > 0 {
		more := ""
		if t.Ignored > len(t.Names) {
			more = ", ..."
		}
		fmt.Fprintf(w, "ignored: %s%s\n", strings.Join(t.Names, ", "), more)
	}
	for _, n := range t.Notes {
		fmt.Fprintln(w, "note:", n)
	}
	return nil
}

// shown is the value as it is stored.
func (v *triedValue) shown() string {
	if v.Fact == nil {
		return fmt.Sprint(v.Value)
	}
	keys := slices.Sorted(maps.Keys(v.Fact))
	for i, k := range keys {
		keys[i] = fmt.Sprintf("%s=%v", k, v.Fact[k])
	}
	return strings.Join(keys, " ")
}

// origin is the value as it was sent, with its unit and name.
func (v *triedValue) origin() string {
	out := v.Sent
	if v.SentUnit != "" {
		out += " [" + v.SentUnit + "]"
	}
	if v.From != "" {
		out += " from " + v.From
	}
	return out
}
