package mapping

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dwindle/config/unit"
)

// Problem is what is wrong with a mapping. Key is where, below the mapping,
// such as values[0].as.
type Problem struct {
	Key, What, Remedy string
	Note              bool // doubtful, but can be used
}

// Check finds what keeps a mapping from working.
func (m *Mapping) Check() []Problem {
	c := &check{m: m}
	c.topic()
	c.time()
	if len(m.Values) == 0 {
		c.add("values", "no value is mapped", "a list such as - {from: count, as: pulse.count}")
	}
	if len(m.Values) > mostValues {
		c.add("values", fmt.Sprintf("%d values, at most %d are taken of one message", len(m.Values), mostValues), "fewer, with names such as {device} in from where many are alike")
		return c.problems
	}
	for i := range m.Values {
		c.value(fmt.Sprintf("values[%d]", i), &m.Values[i])
	}
	return c.problems
}

// mostValues bounds the values of one mapping: each is looked for among all
// values of a message.
const mostValues = 500

type check struct {
	m        *Mapping
	template *Template
	problems []Problem
}

func (c *check) add(key, what, remedy string) {
	c.problems = append(c.problems, Problem{Key: key, What: what, Remedy: remedy})
}

// json says whether names in the payload are JSON paths.
func (m *Mapping) json() bool { return m.Form == "" || m.Form == "json" }

func (c *check) topic() {
	var err error
	if c.template, err = ParseTemplate(c.m.Topic, "site"); err != nil {
		c.add("topic", err.Error(), "levels such as silo/{area}/{machine}/plc/{channel}; + for one level of no interest, # at the end for the rest")
		return
	}
	if levels := c.template.levels; c.template.rest && (len(levels) == 0 || len(levels) == 1 && (levels[0].any || levels[0].name != "")) {
		c.add("topic", "takes every topic there is", "begin with what is the same in all topics meant")
	}
	if c.m.Each != "" {
		if !c.m.json() {
			c.add("each", "lists are taken apart in json only", "form: json, or leave each out")
		} else if _, err := CanonicalPath(c.m.Each); err != nil {
			c.add("each", err.Error(), "the path of a list, such as readings, or . where the payload itself is the list")
		}
	}
	if c.m.NDJSON && !c.m.json() {
		c.add("ndjson", "several values in one payload are read in json only", "form: json, or leave ndjson out")
	}
	if c.m.Device != "" {
		c.device("device", c.m.Device, nil)
	}
}

// device checks a template of a device; names are what the name in the payload
// gives beside the topic.
func (c *check) device(key, text string, names []string) {
	if rest := nameForm.ReplaceAllString(text, ""); strings.ContainsAny(rest, "{}/+# ") {
		c.add(key, fmt.Sprintf("%q cannot become a device's id", text), "an id, or names from the topic such as {machine} or {area}-{machine}")
		return
	}
	for _, name := range namesIn(text) {
		if name != "site" && c.template != nil && !c.template.Has(name) && !slices.Contains(names, name) {
			c.add(key, fmt.Sprintf("{%s} stands neither in the topic nor in from", name), "name the level in topic, or give the id itself")
		}
	}
}

func (c *check) time() {
	t := c.m.Time
	if t == nil {
		return
	}
	if t.Field == "" {
		c.add("time.field", "missing", "the name under which the time stands in the payload, such as ts")
	}
	for _, at := range []struct{ key, path string }{{"time.field", t.Field}, {"time.base", t.Base}} {
		if at.path == "" {
			continue
		}
		if _, err := c.m.Pattern(at.path, "site"); err != nil {
			c.add(at.key, err.Error(), pathRemedy)
		}
	}
	if t.Base != "" && !t.Relative {
		c.add("time.base", "a base for a time that is not relative", "relative: true, or leave base out")
	}
	if t.Zone != "" {
		if _, err := time.LoadLocation(t.Zone); err != nil || t.Zone == "Local" {
			c.add("time.zone", fmt.Sprintf("%q is no time zone", t.Zone), "an IANA name such as Europe/Berlin")
		}
	}
}

const pathRemedy = `a path such as d.cnt[0].v; names with dots in brackets and quotes, ["a.b"]`

func (c *check) value(key string, v *MappedValue) {
	var names []string
	switch {
	case v.From == "":
	case c.m.Form == "scalar":
		c.add(key+".from", "a bare value has no name", "leave from out")
	default:
		p, err := c.m.Pattern(v.From, "site")
		if err != nil {
			c.add(key+".from", err.Error(), pathRemedy)
			return
		}
		names = p.Names()
	}
	f, ok := FieldNamed(v.As)
	if !ok {
		c.add(key+".as", fmt.Sprintf("%q is no native field", v.As), "one of "+strings.Join(FieldNames(), ", "))
		return
	}
	c.unit(key, v, f)
	if len(v.TrueWords)+len(v.FalseWords) > 0 && f.Type != Boolean {
		c.add(key, f.Name+" does not take words for true and false", "leave true_words and false_words out")
	}
	for _, w := range v.TrueWords {
		if slices.ContainsFunc(v.FalseWords, func(o string) bool { return strings.EqualFold(o, w) }) {
			c.add(key+".false_words", fmt.Sprintf("%q is among true_words, too", w), "keep it in one of the two")
		}
	}
	if v.Channel != "" && c.template != nil && !c.template.Has("channel") && !slices.Contains(names, "channel") {
		c.add(key+".channel", "neither the topic nor from has a {channel}", "name that level {channel} in topic")
	}
	if v.Device != "" {
		c.device(key+".device", v.Device, names)
		return
	}
	if c.m.Device == "" && c.template != nil && !c.gives("device", names) && !c.gives("machine", names) {
		c.add(key, "nothing says which device this is of", "a level {device} or {machine} in topic, or device: with an id")
	}
}

func (c *check) gives(name string, names []string) bool {
	return c.template.Has(name) || slices.Contains(names, name)
}

func (c *check) unit(key string, v *MappedValue, f Field) {
	if f.Type != Number && f.Type != Count {
		if v.Unit != "" || v.Scale != 0 {
			c.add(key, f.Name+" is no number and takes neither unit nor scale", "leave them out")
		}
		return
	}
	if v.Unit == "" {
		return
	}
	own, _ := unit.Find(f.Unit)
	u, ok := FindUnit(v.Unit)
	switch {
	case !ok:
		c.add(key+".unit", fmt.Sprintf("%q is no unit known here", v.Unit), "one of "+strings.Join(unit.Symbols(own.Dimension), ", "))
	case u.Convertible(own), u.ByDensity(own):
	default:
		c.add(key+".unit", fmt.Sprintf("%s is %s, %s takes %s", v.Unit, u.Dimension, f.Name, own.Dimension), "one of "+strings.Join(unit.Symbols(own.Dimension), ", "))
	}
}

// ClockUnit says that a unit is the form of a clock text such as 125:30.
func ClockUnit(symbol string) bool { return symbol == "h:mm" || symbol == "h:mm:ss" }

// FindUnit is unit.Find, which knows clock texts by their form as well.
func FindUnit(symbol string) (unit.Unit, bool) {
	if ClockUnit(symbol) {
		symbol = "h"
	}
	return unit.Find(symbol)
}

// Pattern compiles a name in a payload of the mapping's form. JSON paths are
// brought into the one way in which they are written.
func (m *Mapping) Pattern(from, site string) (*Pattern, error) {
	if m.json() && (m.Form == "json" || !strings.Contains(from, "/")) {
		path, err := CanonicalPath(from)
		if err != nil {
			if m.Form == "json" || strings.Contains(from, "[") {
				return nil, err
			}
			path = from
		}
		from = path
	}
	return ParsePattern(from, site)
}

// CheckAll finds the mappings that no topic reaches because an earlier one
// takes all that they would.
func CheckAll(mappings []Mapping) (notes map[int]int) {
	notes = map[int]int{}
	templates := make([]*Template, len(mappings))
	for i := range mappings {
		templates[i], _ = ParseTemplate(mappings[i].Topic, "site")
	}
	for i, t := range templates {
		for k := range i {
			if t != nil && templates[k] != nil && templates[k].plain() && Covers(templates[k].Filter(), t.Filter()) {
				notes[i] = k
				break
			}
		}
	}
	return notes
}
