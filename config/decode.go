package config

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"dwindle/config/civil"
)

// aliasNodes is how many nodes beyond the file's own size aliases may unfold
// into: a small file of nested aliases must not become a large site.
const aliasNodes = 100_000

// decoder fills a Site from YAML nodes. The YAML library's own strict decoding
// stops at the first bad date, names Go types instead of paths, and is lost
// inside custom unmarshallers; here every key gets its place and every fault
// its remedy. A test holds its values against the library's.
type decoder struct {
	*document
	budget int
	fields map[reflect.Type][]field
}

// field is a key of a struct of the register.
type field struct {
	key   string
	index int
}

// fieldsOf lists the keys of a struct type in their order.
func fieldsOf(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		if key, _, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ","); key != "" {
			out = append(out, field{key, i})
		}
	}
	return out
}

var (
	typeDate     = reflect.TypeFor[civil.Date]()
	typeDuration = reflect.TypeFor[time.Duration]()
)

func (d *decoder) site(n *yaml.Node, s *Site) {
	d.fields = map[reflect.Type][]field{}
	d.value(n, reflect.ValueOf(s).Elem(), "", "")
}

// fault reports a value that could not be decoded.
func (d *decoder) fault(line int, path, what, remedy string) {
	d.report(line, path, what, remedy)
	d.taint(path)
}

// report adds a fault beside values that could be decoded.
func (d *decoder) report(line int, path, what, remedy string) {
	d.faults = append(d.faults, Fault{File: d.file, Line: line, Path: path, What: what, Remedy: remedy})
}

// resolve follows an alias.
func resolve(n *yaml.Node) *yaml.Node {
	if n.Kind == yaml.AliasNode && n.Alias != nil {
		return n.Alias
	}
	return n
}

// value decodes a node into v. key names the struct and key that v belongs to,
// such as Limits.drift_days, for the table of ranges.
func (d *decoder) value(n *yaml.Node, v reflect.Value, path, key string) {
	line := n.Line
	n = resolve(n)
	if d.budget--; d.budget < 0 {
		if d.budget == -1 {
			d.fault(line, path, "aliases unfold into more than a site can hold", "write the values out")
		}
		return
	}
	if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" {
		return
	}
	t := v.Type()
	switch {
	case t.Kind() == reflect.Pointer:
		p := reflect.New(t.Elem())
		d.value(n, p.Elem(), path, key)
		v.Set(p)
	case t.Kind() == reflect.Struct:
		d.mapping(n, v, path, line)
	case t.Kind() == reflect.Slice:
		d.list(n, v, path, key, line)
	case n.Kind != yaml.ScalarNode:
		d.fault(line, path, "want "+wanted(t)+", found "+found(n), "write it after the colon on one line")
	default:
		if what, remedy := scalar(n, v, key); what != "" {
			d.fault(line, path, what, remedy)
		}
	}
}

func (d *decoder) list(n *yaml.Node, v reflect.Value, path, key string, line int) {
	if n.Kind != yaml.SequenceNode {
		d.fault(line, path, "want a list, found "+found(n), "put each entry on a line of its own that starts with -")
		return
	}
	out := reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content))
	for i, item := range n.Content {
		at := indexed(path, i)
		d.places[at] = item.Line
		if r := resolve(item); r.Kind == yaml.ScalarNode && r.ShortTag() == "!!null" {
			d.fault(item.Line, at, "empty entry", "fill it in or remove the line with -")
			continue
		}
		d.value(item, out.Index(i), at, key)
	}
	v.Set(out)
}

func (d *decoder) mapping(n *yaml.Node, v reflect.Value, path string, line int) {
	if n.Kind != yaml.MappingNode {
		d.fault(line, path, "want keys and values, found "+found(n), "write keys such as "+strings.Join(keysOf(fieldsOf(v.Type()), 3), ", ")+", indented below")
		return
	}
	t := v.Type()
	if d.fields[t] == nil {
		d.fields[t] = fieldsOf(t)
	}
	given := map[string]int{}
	d.keys(n, v, path, given, map[string]int{}, 0)
}

// keys decodes the pairs of a mapping. Pairs merged in by << stand back behind
// those given here (https://yaml.org/type/merge.html, 2005).
func (d *decoder) keys(n *yaml.Node, v reflect.Value, path string, given, merged map[string]int, depth int) {
	t := v.Type()
	var merges []*yaml.Node
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, value := n.Content[i], n.Content[i+1]
		if k.ShortTag() == "!!merge" {
			merges = append(merges, value)
			continue
		}
		at := join(path, k.Value)
		if resolve(k).Kind != yaml.ScalarNode {
			d.report(k.Line, path, "a key must be one word", "write `key: value`")
			continue
		}
		if depth > 0 && given[k.Value] != 0 {
			continue
		}
		if first := merged[k.Value]; depth == 0 && first != 0 {
			d.report(k.Line, at, fmt.Sprintf("key given twice, first on line %d", first), "keep one of the two")
			continue
		}
		if depth == 0 {
			merged[k.Value] = k.Line
		}
		given[k.Value] = k.Line
		f := d.field(t, k.Value)
		if f == nil {
			d.unknown(k, t, path)
			continue
		}
		d.places[at] = k.Line
		d.value(value, v.Field(f.index), at, t.Name()+"."+f.key)
	}
	for _, m := range merges {
		sources := []*yaml.Node{m}
		if r := resolve(m); r.Kind == yaml.SequenceNode {
			sources = r.Content
		}
		for _, s := range sources {
			r := resolve(s)
			if r.Kind != yaml.MappingNode || depth > 8 {
				d.report(s.Line, path, "<< wants keys and values to merge in", "name an anchor of a block of keys")
				continue
			}
			d.keys(r, v, path, given, merged, depth+1)
		}
	}
}

func (d *decoder) field(t reflect.Type, key string) *field {
	for i := range d.fields[t] {
		if d.fields[t][i].key == key {
			return &d.fields[t][i]
		}
	}
	return nil
}

// secretKeys are what people write where a secret would go. A secret in the
// site file would be in every copy and every support case.
var secretKeys = map[string]bool{
	"password": true, "passwd": true, "pass": true, "pwd": true, "passphrase": true,
	"secret": true, "token": true, "psk": true, "key": true, "private_key": true, "api_key": true,
}

func (d *decoder) unknown(k *yaml.Node, t reflect.Type, path string) {
	at := join(path, k.Value)
	all := keysOf(d.fields[t], len(d.fields[t]))
	if secretKeys[strings.ToLower(k.Value)] {
		file, whose := "password_file", " (for a broker)"
		if slices.Contains(all, "token_file") {
			file, whose = "token_file", ""
		}
		d.taint(join(path, file))
		d.fault(k.Line, at, "secrets do not belong in the site file", "put the secret alone into a file that only dwindle can read, and name that file with "+file+whose)
		return
	}
	d.fault(k.Line, at, fmt.Sprintf("unknown key %q", k.Value), "one of "+strings.Join(all, ", "))
	if like, ok := nearest(k.Value, all); ok {
		d.faults[len(d.faults)-1].Remedy = fmt.Sprintf("did you mean %s?", like)
		d.taint(join(path, like))
	}
}

func keysOf(fields []field, most int) []string {
	var out []string
	for _, f := range fields[:min(most, len(fields))] {
		out = append(out, f.key)
	}
	return out
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func indexed(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }
