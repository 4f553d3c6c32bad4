package manual

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Page writes the manual page of section 1, in man(7). The date is that of the
// version.
func (p Program) Page(version, date string) string {
	var b strings.Builder
	b.WriteString(heading(p.Name, 1, version, date))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", roff(p.Name), roff("lubricator telemetry and empty dates"))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n.I verb\n[\\fIflags\\fR] [\\fIarguments\\fR]\n", roff(p.Name))
	fmt.Fprintf(&b, ".SH DESCRIPTION\n%s\n", roff(p.Help))
	b.WriteString(".PP\n" + roff("Everything is said by one site file; "+p.Name+"-site(5) lists its keys. A flag may stand before or after the arguments. Each verb also tells with --help what it takes.") + "\n.SH VERBS\n")
	for _, v := range p.Verbs {
		fmt.Fprintf(&b, ".SS %s\n%s\n.PP\n.B %s %s\n", roff(v.Name), roff(v.Help), roff(p.Name), roff(v.Name))
		if len(v.Flags) > 0 {
			b.WriteString("[\\fIflags\\fR]\n")
		}
		for _, a := range v.Args {
			name := "\\fI" + roff(a.Name) + "\\fR"
			if a.Optional {
				name = "[" + name + "]"
			}
			b.WriteString(name + "\n")
		}
		for _, a := range v.Args {
			fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(a.Name), roff(a.Help))
		}
		for _, f := range v.Flags {
			head := "\\fB" + roff("--"+f.Long) + "\\fR"
			if f.Short != "" {
				head = "\\fB" + roff("-"+f.Short) + "\\fR, " + head
			}
			if f.Takes != "" {
				head += "=\\fI" + roff(f.Takes) + "\\fR"
			}
			fmt.Fprintf(&b, ".TP\n%s\n%s\n", head, roff(f.Help))
		}
	}
	b.WriteString(`.SH EXIT STATUS
.TP
.B 0
done
.TP
.B 1
failed; what and what to do stand on standard error
.TP
.B 2
wrong use
.SH SIGNALS
`)
	fmt.Fprintf(&b, ".B %s serve\n", roff(p.Name))
	b.WriteString(`ends in order on SIGTERM and SIGINT: it commits and acknowledges what it has taken. A second one does not wait. SIGHUP makes it read the site file again; a faulty one leaves the old one in force.
.SH FILES
.TP
.I /etc/dwindle/site.yaml
the site file of the service
.TP
.I /var/lib/dwindle
its data, where the site file says so
.SH SEE ALSO
`)
	fmt.Fprintf(&b, ".BR %s (5)\n", roff(p.Name+"-site"))
	return b.String()
}

// SitePage writes the manual page of section 5 from the JSON Schema of the
// site file.
func SitePage(name, version, date string, schema []byte) (string, error) {
	var doc yaml.Node // JSON is YAML, and a node keeps the order of the keys
	if err := yaml.Unmarshal(schema, &doc); err != nil {
		return "", fmt.Errorf("read the schema of the site file: %w", err)
	}
	if len(doc.Content) != 1 {
		return "", fmt.Errorf("read the schema of the site file: it is empty")
	}
	root := doc.Content[0]
	var b strings.Builder
	b.WriteString(heading(name+"-site", 5, version, date))
	fmt.Fprintf(&b, ".SH NAME\n%s\\-site \\- the site file of %s(1)\n", roff(name), roff(name))
	b.WriteString(".SH DESCRIPTION\n" + roff("A YAML file that says what a site has and what is wanted. Units stand in the names of the keys. [] stands for each entry of a list; * marks keys that cannot be left out. Faults are told by") + "\n.BR \"" + roff(name) + " check\" .\n.SH KEYS\n")
	walk(&b, root, root, "", map[string]bool{})
	b.WriteString(".SH SEE ALSO\n.BR " + roff(name) + " (1)\n")
	return b.String(), nil
}

// walk writes the keys of an object and what is below each.
func walk(b *strings.Builder, root, object *yaml.Node, path string, above map[string]bool) {
	required := map[string]bool{}
	if r := member(object, "required"); r != nil {
		for _, n := range r.Content {
			required[n.Value] = true
		}
	}
	keys := member(object, "properties")
	if keys == nil {
		return
	}
	for i := 0; i+1 < len(keys.Content); i += 2 {
		key, value := keys.Content[i].Value, keys.Content[i+1]
		at := key
		if path != "" {
			at = path + "." + key
		}
		mark := ""
		if required[key] {
			mark = " *"
		}
		fmt.Fprintf(b, ".TP\n\\fB%s\\fR%s\n%s\n", roff(at), mark, roff(text(value)))
		name, at := target(value, at)
		if name != "" && !above[name] {
			if def := member(member(root, "$defs"), name); def != nil {
				above[name] = true
				walk(b, root, def, at, above)
				delete(above, name)
			}
		}
	}
}

// target finds the definition that a value refers to, itself or by its items.
func target(value *yaml.Node, at string) (name, path string) {
	for range 2 {
		if ref := member(value, "$ref"); ref != nil {
			return strings.TrimPrefix(ref.Value, "#/$defs/"), at
		}
		items := member(value, "items")
		if items == nil {
			return "", at
		}
		value, at = items, at+"[]"
	}
	return "", at
}

// text is what is said of a key: its description, what it may be, its default.
func text(value *yaml.Node) string {
	out := ""
	if d := member(value, "description"); d != nil {
		out = d.Value
	}
	if e := member(value, "enum"); e != nil {
		var words []string
		for _, n := range e.Content {
			words = append(words, n.Value)
		}
		out += " One of " + strings.Join(words, ", ") + "."
	}
	if d := member(value, "default"); d != nil && d.Kind == yaml.ScalarNode {
		out += " Default: " + d.Value + "."
	}
	return strings.TrimSpace(out)
}

func member(object *yaml.Node, key string) *yaml.Node {
	if object == nil || object.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(object.Content); i += 2 {
		if object.Content[i].Value == key {
			return object.Content[i+1]
		}
	}
	return nil
}

func heading(name string, section int, version, date string) string {
	program, _, _ := strings.Cut(name, "-")
	return fmt.Sprintf(".TH %s %d \"%s\" \"%s\"\n.nh\n.ad l\n", roff(strings.ToUpper(name)), section, date, roff(program+" "+version))
}

// roff escapes text for man(7): nothing in it is a request or an escape.
func roff(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, `"`, `\(dq`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`).Replace(s)
	if strings.HasPrefix(s, ".") {
		s = `\&` + s
	}
	return s
}
