package config

import (
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"github.com/google/jsonschema-go/jsonschema"
)

// Schema is the JSON Schema (draft 2020-12) of a site file, for editors that
// complete and check while one types. It is made from the types and tables
// that Load uses. Load checks more: references, settings that exist, order.
func Schema() ([]byte, error) {
	m := schemaMaker{defs: map[string]*jsonschema.Schema{}}
	m.object(reflect.TypeFor[Site]())
	root := m.defs["Site"]
	delete(m.defs, "Site")
	root.Schema = "https://json-schema.org/draft/2020-12/schema"
	root.Title = "dwindle site file"
	root.Defs = m.defs
	out, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write schema: %w", err)
	}
	return append(out, '\n'), nil
}

type schemaMaker struct {
	defs map[string]*jsonschema.Schema
}

// object describes a struct as a definition and refers to it.
func (m *schemaMaker) object(t reflect.Type) *jsonschema.Schema {
	name := t.Name()
	if _, ok := m.defs[name]; !ok {
		s := &jsonschema.Schema{Type: "object", Properties: map[string]*jsonschema.Schema{}, AdditionalProperties: nothing(), Required: requiredKeys[name]}
		m.defs[name] = s
		for _, f := range fieldsOf(t) {
			key := name + "." + f.key
			p := m.of(t.Field(f.index).Type, key)
			p.Description = help[key]
			if d, ok := defaults[key]; ok {
				p.Default = defaultJSON(d.value)
			}
			s.Properties[f.key] = p
			s.PropertyOrder = append(s.PropertyOrder, f.key)
		}
		if name == "Plan" {
			s.OneOf = []*jsonschema.Schema{{Required: []string{"dose_cm3_per_100h"}}, {Required: []string{"dose_cm3_per_day"}}}
		}
	}
	return &jsonschema.Schema{Ref: "#/$defs/" + name}
}

// of describes one value.
func (m *schemaMaker) of(t reflect.Type, key string) *jsonschema.Schema {
	switch {
	case t.Kind() == reflect.Pointer:
		return m.of(t.Elem(), key)
	case t.Kind() == reflect.Struct:
		return m.object(t)
	case t.Kind() == reflect.Slice:
		return &jsonschema.Schema{Type: "array", Items: m.of(t.Elem(), key)}
	case t == typeDate:
		return &jsonschema.Schema{Type: "string", Format: "date"}
	case t == typeDuration:
		return &jsonschema.Schema{Type: "string", Pattern: `^([0-9]+(\.[0-9]+)?(h|m|s|ms|us|ns))+$`, Examples: []any{"30s", "5m", "1h"}}
	case t.Kind() == reflect.Bool:
		return &jsonschema.Schema{Type: "boolean"}
	case t.Kind() == reflect.Int:
		return bounded(&jsonschema.Schema{Type: "integer"}, key)
	case t.Kind() == reflect.Float64:
		return bounded(&jsonschema.Schema{Type: "number"}, key)
	}
	s := &jsonschema.Schema{Type: "string"}
	for _, w := range words[key] {
		s.Enum = append(s.Enum, w)
	}
	if isID(key) {
		s.Pattern = idForm.String()
	}
	return s
}

// isID says that a key names its own thing.
func isID(key string) bool {
	return key == "Site.site" || len(key) > 3 && key[len(key)-3:] == ".id"
}

func bounded(s *jsonschema.Schema, key string) *jsonschema.Schema {
	r, ok := ranges[key]
	if !ok {
		return s
	}
	low, high := r.min, r.max
	s.Maximum = &high
	if r.above {
		s.ExclusiveMinimum = &low
	} else {
		s.Minimum = &low
	}
	return s
}

func defaultJSON(value any) json.RawMessage {
	if d, ok := value.(time.Duration); ok {
		value = spanText(d)
	}
	out, err := json.Marshal(value)
	if err != nil {
		return nil // only plain values stand in the table; a test reads them all
	}
	return out
}

// nothing is the schema that refuses every value.
func nothing() *jsonschema.Schema { return &jsonschema.Schema{Not: &jsonschema.Schema{}} }
