package main

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/manual"
	"dwindle/config"
)

var (
	manualTo  = flag.String("manual", "", "write the manual pages and completions to this directory, as the packages do")
	manualFor = flag.String("manual-version", "development", "the version that the pages name")
	manualOf  = flag.String("manual-date", "2026-11-25", "the date that the pages bear")
)

// manuals writes what the operating system gets to know of the command line.
func manuals(t *testing.T) (dir string) {
	t.Helper()
	dir = *manualTo
	if dir == "" {
		dir = t.TempDir()
	}
	var cmds commands
	parser, err := kong.New(&cmds, kong.Name("dwindle"), kong.Description(about))
	require.NoError(t, err)
	p := manual.Read(parser.Model)
	schema, err := config.Schema()
	require.NoError(t, err)
	site, err := manual.SitePage("dwindle", *manualFor, *manualOf, schema)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(dir, 0o750))
	for name, text := range map[string]string{
		"dwindle.1": p.Page(*manualFor, *manualOf), "dwindle-site.5": site,
		"dwindle.bash": p.Bash(), "_dwindle": p.Zsh(), "dwindle.fish": p.Fish(),
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	return dir
}

func TestManualPagesHaveEveryVerbAndKey(t *testing.T) {
	dir := manuals(t)
	page, err := os.ReadFile(filepath.Join(dir, "dwindle.1"))
	require.NoError(t, err)
	for _, verb := range []string{"serve", "check", "forecast", "restore"} {
		require.Contains(t, string(page), "\n.SS "+verb+"\n")
	}
	site, err := os.ReadFile(filepath.Join(dir, "dwindle-site.5"))
	require.NoError(t, err)
	for _, key := range []string{"site", "machines[].criticality", "connections.monitor.listen", "dispensers[].settings[].pacing"} {
		require.Contains(t, string(site), "\\fB"+key+"\\fR")
	}
}

func TestManualPagesAreSoundForTheFormatters(t *testing.T) {
	dir := manuals(t)
	for _, page := range []string{"dwindle.1", "dwindle-site.5"} {
		path := filepath.Join(dir, page)
		t.Run("groff "+page, func(t *testing.T) {
			out := shell(t, "groff", "groff", "-man", "-Tutf8", "-ww", "-W", "break", "-z", path)
			require.Empty(t, out)
		})
		t.Run("mandoc "+page, func(t *testing.T) {
			out := shell(t, "mandoc", "mandoc", "-T", "lint", "-W", "warning", path)
			require.Empty(t, out)
		})
	}
}

func TestShellsComplete(t *testing.T) {
	dir := manuals(t)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plant.yaml"), nil, 0o600))
	t.Run("bash", func(t *testing.T) {
		ask := func(words ...string) []string {
			script := `cd "$1"; source dwindle.bash; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); compopt() { :; }; _dwindle; printf '%s\n' "${COMPREPLY[@]}"`
			return strings.Fields(shell(t, "bash", append([]string{"bash", "-c", script, "bash", dir}, words...)...))
		}
		require.Equal(t, []string{"demo", "delivery"}, ask("dwindle", "de"))
		require.Equal(t, []string{"--effective"}, ask("dwindle", "check", "-c", "x.yaml", "--eff"))
		require.Equal(t, []string{"plant.yaml"}, ask("dwindle", "check", "-c", "plant"))
		require.Equal(t, []string{"plant.yaml"}, ask("dwindle", "check", "--config", "=", "pl"))
		require.Equal(t, []string{"readings"}, ask("dwindle", "export", "rea"))
		require.Equal(t, []string{"csv", "jsonl", "parquet"}, ask("dwindle", "export", "--format", ""))
		require.Empty(t, ask("dwindle", "forecast", "--at", "pl"), "a time is no file")
	})
	t.Run("zsh", func(t *testing.T) {
		shell(t, "zsh", "zsh", "-n", filepath.Join(dir, "_dwindle"))
	})
	t.Run("fish", func(t *testing.T) {
		ask := func(line string) string {
			return shell(t, "fish", "fish", "--no-config", "-c", "cd "+dir+"; source dwindle.fish; complete -C '"+line+"'")
		}
		require.Contains(t, ask("dwindle de"), "delivery\t")
		require.Contains(t, ask("dwindle check --eff"), "--effective")
		require.Contains(t, ask("dwindle export rea"), "readings")
		require.Contains(t, ask("dwindle check -c pla"), "plant.yaml")
		require.NotContains(t, ask("dwindle forecast --at pla"), "plant.yaml")
	})
}

// shell runs a tool that not every machine has; what it says is returned.
func shell(t *testing.T, tool string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(tool); err != nil {
		t.Skipf("no %s here: what is written for it is not tried", tool)
	}
	out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}
