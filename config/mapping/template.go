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
				l.text = p.literals[0]
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
// or more, none of them a slash, and as few as will do.
type Pattern struct {
	literals []string // one more than names: what stands before, between and behind them
	names    []string
}

var nameForm = regexp.MustCompile(`\{([^{}]*)\}`)

// ParsePattern compiles a text that may hold names in braces.
func ParsePattern(text, site string) (*Pattern, error) {
	if site != "" {
		text = strings.ReplaceAll(text, "{site}", site)
	}
	p := &Pattern{}
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
		p.literals = append(p.literals, text[end:m[0]])
		end = m[1]
	}
	p.literals = append(p.literals, text[end:])
	for _, l := range p.literals {
		if strings.ContainsAny(l, "{}") {
			return nil, fmt.Errorf("a brace without its pair")
		}
	}
	return p, nil
}

// Names are what the pattern takes out of a text.
func (p *Pattern) Names() []string { return p.names }

// Match compares a text; the names go into vars unless it is nil or has them.
func (p *Pattern) Match(text string, vars Vars) bool {
	if len(p.names) == 0 {
		return text == p.literals[0]
	}
	if !p.walk(text, nil) {
		return false
	}
	if vars != nil {
		p.walk(text, vars)
	}
	return true
}

// walk takes each name up to where the next literal first stands. No later
// place would do where that one does not: what lies between is then part of
// the next name, which may hold it as well.
func (p *Pattern) walk(text string, vars Vars) bool {
	last := len(p.names)
	rest, ok := strings.CutPrefix(text, p.literals[0])
	if !ok {
		return false
	}
	if rest, ok = strings.CutSuffix(rest, p.literals[last]); !ok {
		return false
	}
	for i, name := range p.names {
		part := rest
		if i+1 < last {
			if rest == "" {
				return false
			}
			at := strings.Index(rest[1:], p.literals[i+1])
			if at < 0 {
				return false
			}
			part, rest = rest[:at+1], rest[at+1+len(p.literals[i+1]):]
		}
		if part == "" || strings.Contains(part, "/") {
			return false
		}
		if _, given := vars[name]; vars != nil && !given {
			vars[name] = part
		}
	}
	return true
}

// Literal is the whole text of a pattern without names; ok is false for others.
func (p *Pattern) Literal() (text string, ok bool) { return p.literals[0], len(p.names) == 0 }

// Fill puts the names into a text; ok is false where one is not known.
func (v Vars) Fill(text string) (filled string, ok bool) {
	ok = true
	for rest := text; ; {
		open := strings.IndexByte(rest, '{')
		if open < 0 {
			return filled + rest, ok
		}
		end := strings.IndexByte(rest[open:], '}')
		if end < 0 {
			return filled + rest, ok
		}
		value, known := v[rest[open+1:open+end]]
		ok = ok && known
		filled += rest[:open] + value
		rest = rest[open+end+1:]
	}
}

// namesIn lists the names in braces of a text.
func namesIn(text string) (out []string) {
	for _, m := range nameForm.FindAllStringSubmatch(text, -1) {
		out = append(out, m[1])
	}
	return out
}
