package manual_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/manual"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// line is a small command line with one of each.
type line struct {
	Weigh struct {
		Config string   `short:"c" required:"" placeholder:"FILE" help:"Site file: 'the' one [YAML]."`
		Unit   string   `enum:"g,kg" default:"g" help:"g or kg."`
		Into   string   `placeholder:"DIR" help:"Where to."`
		Note   []string `help:"What is worth knowing; may be given again."`
		JSON   bool     `name:"json" help:"Print JSON."`
		Secret bool     `hidden:"" help:"Not shown."`
		Point  string   `arg:"" help:"Id of the point."`
	} `cmd:"" help:"Record a weight: gross, in g."`
	Table struct {
		What string `arg:"" enum:"points,doses" help:"Which table."`
		To   string `arg:"" optional:"" placeholder:"FILE" help:"Where to; .txt is added."`
	} `cmd:"" help:"Write a table. It's short."`
	Inner struct{} `cmd:"" hidden:"" help:"Not shown."`
}

func program(t *testing.T) manual.Program {
	t.Helper()
	parser, err := kong.New(&line{}, kong.Name("scale"), kong.Description("Weighs \\ things - and more."))
	require.NoError(t, err)
	return manual.Read(parser.Model)
}

func TestWhatIsWritten(t *testing.T) {
	p := program(t)
	require.Len(t, p.Verbs, 2)
	for name, got := range map[string]string{"scale.1": p.Page("1.2.3", "2026-11-25"), "scale.bash": p.Bash(), "_scale": p.Zsh(), "scale.fish": p.Fish()} {
		golden(t, name, got)
	}
	for _, text := range []string{p.Page("", ""), p.Bash(), p.Zsh(), p.Fish()} {
		require.NotContains(t, text, "ecret")
		require.NotContains(t, text, "nner")
	}
}

func TestTheKeysOfASiteFile(t *testing.T) {
	page, err := manual.SitePage("scale", "1.2.3", "2026-11-25", []byte(`{
		"type": "object", "required": ["site"],
		"properties": {
			"site": {"type": "string", "description": "Id of the site."},
			"zone": {"type": "string"},
			"machines": {"type": "array", "items": {"$ref": "#/$defs/Machine"}, "description": "What runs."},
			"board": {"$ref": "#/$defs/Board", "description": ".hidden? no - a dot at the beginning."}
		},
		"$defs": {
			"Machine": {"properties": {"id": {"description": "Its id."}, "part_of": {"$ref": "#/$defs/Machine", "description": "Itself."}}, "required": ["id"]},
			"Board": {"properties": {"mode": {"enum": ["a", "b"], "default": "a", "description": "How."}}}
		}}`))
	require.NoError(t, err)
	golden(t, "scale-site.5", page)
	for _, broken := range []string{"", "{", "[1,2"} {
		_, err := manual.SitePage("scale", "", "", []byte(broken))
		require.ErrorContains(t, err, "schema of the site file", broken)
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got, name)
}
