package config_test

import (
	"encoding/json"
	"flag"
	"os"
	"testing"

	"github.com/google/jsonschema-go/jsonschema"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
)

var update = flag.Bool("update", false, "rewrite the files that tests compare with")

const schemaFile = "../deploy/site.schema.json"

func TestSchemaFileIsTrue(t *testing.T) {
	got, err := config.Schema()
	require.NoError(t, err)
	if *update {
		require.NoError(t, os.WriteFile(schemaFile, got, 0o644))
	}
	want, err := os.ReadFile(schemaFile)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got), "run go test ./config -run Schema -update after a change of the register, and look at the difference")
}

func TestSchemaAcceptsTheExampleAndRefusesUnknownKeys(t *testing.T) {
	schema := resolved(t)
	site := asJSON(t, "../deploy/example-site.yaml")
	require.NoError(t, schema.Validate(site))

	for name, spoil := range map[string]func(site map[string]any){
		"unknown key at the top": func(s map[string]any) { s["colour"] = "blue" },
		"unknown key inside":     func(s map[string]any) { first(s, "points")["colour"] = "blue" },
		"missing zone":           func(s map[string]any) { delete(s, "zone") },
		"text for a number":      func(s map[string]any) { first(s, "reservoirs")["usable_cm3"] = "much" },
		"density out of range":   func(s map[string]any) { first(s, "lubricants")["density_g_per_cm3"] = 7.8 },
		"word not known":         func(s map[string]any) { first(s, "machines")["criticality"] = "D" },
		"id with a space":        func(s map[string]any) { first(s, "areas")["id"] = "a b" },
		"number for a time span": func(s map[string]any) { first(s, "machines")["every"] = 60.0 },
		"two doses": func(s map[string]any) {
			plan := first(s, "points")["plan"].(map[string]any)
			plan["dose_cm3_per_100h"], plan["dose_cm3_per_day"] = 1.0, 1.0
		},
	} {
		t.Run(name, func(t *testing.T) {
			site := asJSON(t, "../deploy/example-site.yaml")
			spoil(site)
			require.Error(t, schema.Validate(site))
		})
	}
}

func TestSchemaOfDatesAndSpans(t *testing.T) {
	text, err := config.Schema()
	require.NoError(t, err)
	var s struct {
		Defs map[string]struct {
			Properties map[string]map[string]any
			Required   []string
		} `json:"$defs"`
		Properties map[string]map[string]any
	}
	require.NoError(t, json.Unmarshal(text, &s))
	require.Equal(t, "string", s.Defs["Setting"].Properties["valid_from"]["type"])
	require.Equal(t, "date", s.Defs["Setting"].Properties["valid_from"]["format"])
	require.Equal(t, "string", s.Defs["Limits"].Properties["silence_min"]["type"])
	require.Equal(t, "1h", s.Defs["Limits"].Properties["silence_min"]["default"])
	require.Equal(t, 0.85, s.Defs["Limits"].Properties["under_ratio"]["default"])
	for name, d := range s.Defs {
		for key, p := range d.Properties {
			require.NotEmpty(t, p["description"], "%s.%s needs a line in help.go", name, key)
		}
		for _, key := range d.Required {
			require.Contains(t, d.Properties, key, name)
		}
	}
	for key, p := range s.Properties {
		require.NotEmpty(t, p["description"], "Site.%s needs a line in help.go", key)
	}
}

func resolved(t *testing.T) *jsonschema.Resolved {
	t.Helper()
	text, err := config.Schema()
	require.NoError(t, err)
	var s jsonschema.Schema
	require.NoError(t, json.Unmarshal(text, &s))
	// Resolving with defaults shows that each default is allowed by its range.
	r, err := s.Resolve(&jsonschema.ResolveOptions{ValidateDefaults: true})
	require.NoError(t, err)
	return r
}

// asJSON reads YAML into what JSON would give; dates stay text.
func asJSON(t *testing.T, file string) map[string]any {
	t.Helper()
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	var root yaml.Node
	require.NoError(t, yaml.Unmarshal(data, &root))
	keepDates(&root)
	var out map[string]any
	require.NoError(t, root.Decode(&out))
	text, err := json.Marshal(out)
	require.NoError(t, err)
	out = nil
	require.NoError(t, json.Unmarshal(text, &out))
	return out
}

func keepDates(n *yaml.Node) {
	if n.Tag == "!!timestamp" {
		n.Tag = "!!str"
	}
	for _, child := range n.Content {
		keepDates(child)
	}
}

func first(site map[string]any, list string) map[string]any {
	return site[list].([]any)[0].(map[string]any)
}
