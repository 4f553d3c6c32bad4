package archtest

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// root is the repository, seen from this package.
const root = "../../.."

func TestTheRulesHold(t *testing.T) {
	all, err := Read(root)
	require.NoError(t, err)
	require.Contains(t, all, "cmd/internal/archtest", "the walk must have seen this package")
	broken := Broken(all)
	require.Empty(t, broken, strings.Join(broken, "\n"))
}

func TestTheRulesNameWhatExists(t *testing.T) {
	all, err := Read(root)
	require.NoError(t, err)
	for dir := range Pure {
		require.Contains(t, all, dir, "a pure room that is gone: change rules.go")
	}
	for _, r := range Forbidden {
		require.NotEmpty(t, r.Why, r)
		for _, pattern := range []string{r.From, r.To} {
			_, err := os.Stat(filepath.Join(root, strings.TrimSuffix(pattern, "/...")))
			require.NoError(t, err, "a rule about a folder that is gone: change rules.go")
		}
	}
}

func TestOnlyTheKnownFoldersStandAtTheTop(t *testing.T) {
	entries, err := os.ReadDir(root)
	require.NoError(t, err)
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
			require.Contains(t, Folders, e.Name(), "docs live in README, DEVELOPERS.md and package comments; code in the rooms")
		}
	}
}

// A rule that never fires protects nothing: each kind of fault is made once.
func TestEachFaultIsFound(t *testing.T) {
	for name, c := range map[string]struct {
		file, text, want string
	}{
		"forward import":          {"config/a.go", "// Package config x\npackage config\nimport _ \"dwindle/alerts/alarm\"\n", "imports only point back"},
		"forward import in test":  {"config/a_test.go", "package config\nimport _ \"dwindle/alerts/alarm\"\n", "a test of config imports"},
		"part imports the whole":  {"collector/x/a.go", "// Package x x\npackage x\nimport _ \"dwindle/collector\"\n", "do not know the whole"},
		"forbidden store":         {"forecast/a.go", "// Package forecast x\npackage forecast\nimport _ \"dwindle/collector/journal\"\n", "another store can answer"},
		"clock in a pure room":    {"forecast/duty/a.go", "// Package duty x\npackage duty\nimport \"time\"\nvar at = time.Now()\n", "duty/a.go:4: forecast/duty uses time.Now"},
		"renamed clock":           {"forecast/duty/a.go", "// Package duty x\npackage duty\nimport clock \"time\"\nvar at = clock.Now\n", "uses time.Now"},
		"network in a pure room":  {"collector/decode/a.go", "// Package decode x\npackage decode\nimport _ \"net/http\"\n", "must not depend on when or where"},
		"database in a pure room": {"collector/meter/a.go", "// Package meter x\npackage meter\nimport _ \"database/sql\"\n", "whenever they are folded"},
		"no comment":              {"collector/x/a.go", "package x\n", "no package comment"},
		"a comment about another": {"collector/x/a.go", "// Package y x\npackage x\n", "does not begin with"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			file := filepath.Join(dir, c.file)
			require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o700))
			require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
			all, err := Read(dir)
			require.NoError(t, err)
			broken := Broken(all)
			require.True(t, slices.ContainsFunc(broken, func(s string) bool { return strings.Contains(s, c.want) }), broken)
		})
	}
}

func TestWhatIsAllowedPasses(t *testing.T) {
	dir := t.TempDir()
	for file, text := range map[string]string{
		"cmd/a/main.go":             "// A program.\npackage main\nimport _ \"dwindle/alerts\"\n",
		"forecast/duty/a.go":        "// Package duty x\npackage duty\nimport (\n\t\"time\"\n\t_ \"dwindle/config\"\n)\nvar d time.Duration\n",
		"forecast/duty/a_test.go":   "package duty\nimport (\n\t\"os\"\n\t\"time\"\n)\nvar _, _ = os.Args, time.Now()\n",
		"collector/a.go":            "// Package collector x\npackage collector\nimport _ \"dwindle/collector/journal\"\n",
		"deploy/tools/go.mod":       "module x\n",
		"deploy/tools/a.go":         "package nothing\n",
		"collector/testdata/bad.go": "no go at all",
	} {
		file = filepath.Join(dir, file)
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o700))
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	}
	all, err := Read(dir)
	require.NoError(t, err)
	require.Empty(t, Broken(all))
}
