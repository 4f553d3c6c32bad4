package mapping

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Names are what a template can take out of a topic.
var Names = []string{"site", "area", "machine", "device", "channel"}

// Vars are the names taken out of a topic or a name in a payload.
type Vars map[string]string

// Template is a topic template, compiled.
type Template struct {
	levels []level
	rest   bool // ends in #
	names  []string
}

// level is one level: text, or any, or a pattern.
type level struct {
	text    string
	any     bool
	name    string // the whole level is this name
	pattern *Pattern
}

// ParseTemplate compiles a topic template. {site} stands for the site's id and
// matches nothing else.
func ParseTemplate(text, site string) (*Template, error) {
	switch {
	case text == "":
		return nil, fmt.Errorf("no topic is given")
	case len(text) > 512:
		return nil, fmt.Errorf("a topic has at most 512 bytes")
	case strings.HasPrefix(text, "$"):
		return nil, fmt.Errorf("topics that begin with $ are the broker's own")
	}
	t := &Template{}
	parts := strings.Split(text, "/")
	for i, part := range parts {
		var l level
		switch {
		case part == "#" && i == len(parts)-1:
			t.rest = true
			continue
		case part == "+":
			l.any = true
		case strings.ContainsAny(part, "#+"):
			return nil, fmt.Errorf("level %q: + takes a whole level, # the last one", part)
		case !strings.ContainsAny(part, "{}"):
			l.text = part
		default:
			p, err := ParsePattern(part, site)
			if err != nil {
				return nil, fmt.Errorf("level %q: %w", part, err)
			}
			for _, name := range p.names {
				if slices.Contains(t.names, name) {
					return nil, fmt.Errorf("{%s} stands twice", name)
				}
			}
			t.names = append(t.names, p.names...)
			switch {
			case len(p.names) == 0:
				l.text = p.text
			case part == "{"+p.names[0]+"}":
				l.name = p.names[0]
			default:
				l.pattern = p
			}
		}
		t.levels = append(t.levels, l)
	}
	return t, nil
}

// Has says that the template takes a name out of the topic.
func (t *Template) Has(name string) bool { return slices.Contains(t.names, name) }

// Match takes the names out of a topic that fits.
func (t *Template) Match(topic string) (Vars, bool) {
	if strings.HasPrefix(topic, "$") {
		return nil, false
	}
	if !t.walk(topic, nil) {
		return nil, false
	}
	vars := make(Vars, len(t.names)+2)
	t.walk(topic, vars)
	return vars, true
}

// walk compares level by level, filling vars where they are not nil.
func (t *Template) walk(topic string, vars Vars) bool {
	rest, more := topic, true
	for i := range t.levels {
		if !more {
			return false
		}
		var part string
		part, rest, more = strings.Cut(rest, "/")
		l := &t.levels[i]
		switch {
		case l.any:
		case l.name != "":
			if part == "" {
				return false
			}
			if vars != nil {
				vars[l.name] = part
			}
		case l.pattern != nil:
			if !l.pattern.Match(part, vars) {
				return false
			}
		case part != l.text:
			return false
		}
	}
	return t.rest || !more // in MQTT a/# takes a as well
}

// Filter is the MQTT topic filter that brings all topics that fit.
func (t *Template) Filter() string {
	parts := make([]string, 0, len(t.levels)+1)
	for _, l := range t.levels {
		if l.any || l.name != "" || l.pattern != nil {
			parts = append(parts, "+")
		} else {
			parts = append(parts, l.text)
		}
	}
	if t.rest {
		parts = append(parts, "#")
	}
	return strings.Join(parts, "/")
}

// plain says that each level is text or takes any, so that the template fits
// just what its filter brings.
func (t *Template) plain() bool {
	return !slices.ContainsFunc(t.levels, func(l level) bool { return l.pattern != nil })
}

// Pattern is a text with names in braces, compiled. Each takes one character
// or more, none of them a slash.
type Pattern struct {
	text  string // where there are no names
	expr  *regexp.Regexp
	names []string
}

var nameForm = regexp.MustCompile(`\{([^{}]*)\}`)

// ParsePattern compiles a text that may hold names in braces.
func ParsePattern(text, site string) (*Pattern, error) {
	if site != "" {
		text = strings.ReplaceAll(text, "{site}", site)
	}
	p := &Pattern{text: text}
	var expr strings.Builder
	expr.WriteString(`^(?s:`)
	end := 0
	for _, m := range nameForm.FindAllStringSubmatchIndex(text, -1) {
		name := text[m[2]:m[3]]
		switch {
		case !slices.Contains(Names, name):
			return nil, fmt.Errorf("{%s} is none of {%s}", name, strings.Join(Names, "}, {"))
		case slices.Contains(p.names, name):
			return nil, fmt.Errorf("{%s} stands twice", name)
		case m[0] == end && end > 0:
			return nil, fmt.Errorf("nothing parts {%s} from the name before it", name)
		}
		p.names = append(p.names, name)
		expr.WriteString(regexp.QuoteMeta(text[end:m[0]]) + `([^/]+?)`)
		end = m[1]
	}
	expr.WriteString(regexp.QuoteMeta(text[end:]) + `)$`)
	if strings.ContainsAny(nameForm.ReplaceAllString(text, ""), "{}") {
		return nil, fmt.Errorf("a brace without its pair")
	}
	if len(p.names) == 0 {
		return p, nil
	}
	var err error
	p.expr, err = regexp.Compile(expr.String())
	return p, err
}

// Names are what the pattern takes out of a text.
func (p *Pattern) Names() []string { return p.names }

// Match compares a text; the names go into vars unless it is nil or has them.
func (p *Pattern) Match(text string, vars Vars) bool {
	if p.expr == nil {
		return text == p.text
	}
	if vars == nil {
		return p.expr.MatchString(text)
	}
	found := p.expr.FindStringSubmatch(text)
	if found == nil {
		return false
	}
	for i, name := range p.names {
		if _, given := vars[name]; !given {
			vars[name] = found[i+1]
		}
	}
	return true
}

// Literal is the whole text of a pattern without names; ok is false for others.
func (p *Pattern) Literal() (text string, ok bool) { return p.text, p.expr == nil }

// Fill puts the names into a text; ok is false where one is not known.
func (v Vars) Fill(text string) (filled string, ok bool) {
	if !strings.Contains(text, "{") {
		return text, true
	}
	ok = true
	filled = nameForm.ReplaceAllStringFunc(text, func(braced string) string {
		value, known := v[braced[1:len(braced)-1]]
		ok = ok && known
		return value
	})
	return filled, ok
}

// NamesIn lists the names in braces of a text.
func NamesIn(text string) (out []string) {
	for _, m := range nameForm.FindAllStringSubmatch(text, -1) {
		out = append(out, m[1])
	}
	return out
}
