package config_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
)

// everything is a site with every block of the register in it.
func everything(t *testing.T) *yaml.Node {
	t.Helper()
	data, err := os.ReadFile("../deploy/example-site.yaml")
	require.NoError(t, err)
	data = []byte(strings.Replace(string(data), "  embedded_broker:\n    listen: 127.0.0.1:1883\n", "  broker:\n    url: tcp://127.0.0.1:1883\n", 1))
	data = append(data, "\nstores:\n  influx: {url: \"http://127.0.0.1:8086\", organisation: terminal, bucket: lube, token_file: t}\n"...)
	var root yaml.Node
	require.NoError(t, yaml.Unmarshal(data, &root))
	return root.Content[0]
}

// blocks says where each block of the register is found first.
var blocks = map[string][]string{
	"": {}, "Area": {"areas"}, "Machine": {"machines"}, "Gateway": {"gateways"}, "Lubricant": {"lubricants"}, "Reservoir": {"reservoirs"},
	"DispenserModel": {"dispenser_models"}, "Range": {"dispenser_models", "run_range_cm3_per_100h"}, "Point": {"points"},
	"Dispenser": {"dispensers"}, "Setting": {"dispensers", "settings"}, "ChannelInfo": {"dispensers", "channels"},
	"Holiday": {"calendar", "holidays"}, "Shutdown": {"calendar", "shutdowns"}, "Round": {"calendar", "rounds"}, "Role": {"roles"},
	"Broker": {"connections", "broker"}, "Listener": {"connections", "board"}, "Monitor": {"connections", "monitor"},
	"Influx": {"stores", "influx"},
}

func TestRequiredKeysAreMissedByTheLoaderToo(t *testing.T) {
	text, err := config.Schema()
	require.NoError(t, err)
	var schema struct {
		Required []string
		Defs     map[string]struct{ Required []string } `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(text, &schema))
	required := map[string][]string{"": schema.Required}
	for name, d := range schema.Defs {
		required[name] = d.Required
	}
	for name, path := range blocks {
		require.NotEmpty(t, required[name], name)
		for _, key := range required[name] {
			t.Run(name+"."+key, func(t *testing.T) {
				site := everything(t)
				remove(t, at(t, site, path), key)
				out, err := yaml.Marshal(site)
				require.NoError(t, err)
				_, err = config.Parse("site.yaml", out)
				require.Error(t, err)
			})
		}
	}
}

// Every unknown key is refused wherever it stands.
func TestUnknownKeysAreRefusedInEveryBlock(t *testing.T) {
	for name, path := range blocks {
		t.Run(name, func(t *testing.T) {
			site := everything(t)
			block := at(t, site, path)
			block.Content = append(block.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: "colour"}, &yaml.Node{Kind: yaml.ScalarNode, Value: "blue"})
			out, err := yaml.Marshal(site)
			require.NoError(t, err)
			_, err = config.Parse("site.yaml", out)
			var faults *config.Faults
			require.ErrorAs(t, err, &faults)
			require.Len(t, faults.List, 1)
			require.Contains(t, err.Error(), `unknown key "colour"`)
			require.True(t, strings.HasSuffix(faults.List[0].Path, "colour"))
		})
	}
}

// at goes down keys, into the first entry of a list.
func at(t *testing.T, n *yaml.Node, path []string) *yaml.Node {
	t.Helper()
	for _, key := range path {
		var next *yaml.Node
		for i := 0; i < len(n.Content); i += 2 {
			if n.Content[i].Value == key {
				next = n.Content[i+1]
			}
		}
		require.NotNil(t, next, key)
		if n = next; n.Kind == yaml.SequenceNode {
			n = n.Content[0]
		}
	}
	return n
}

func remove(t *testing.T, n *yaml.Node, key string) {
	t.Helper()
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			n.Content = append(n.Content[:i], n.Content[i+2:]...)
			return
		}
	}
	require.FailNow(t, "the example has no key to remove", key)
}
