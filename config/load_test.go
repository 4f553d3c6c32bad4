package config_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	_ "time/tzdata" // the tests must not depend on the machine's zones

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// mark begins the lines at the top of a fixture that say what it must give:
// the faults of a bad file, the warnings of a good one.
const mark = "#! "

func TestFixtures(t *testing.T) {
	files, err := filepath.Glob("testdata/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			if *update {
				// Twice: the header's own lines move what stands below it.
				for range 2 {
					data = withHeader(data, said(t, name, data))
				}
				require.NoError(t, os.WriteFile(file, data, 0o644))
			}
			require.Equal(t, header(data), said(t, name, data))
		})
	}
}

// said is what reading a fixture gives, one line each, without the file name.
func said(t *testing.T, name string, data []byte) string {
	t.Helper()
	site, err := config.Parse(name, data)
	list := site.Warnings
	var faults *config.Faults
	if strings.HasSuffix(name, ".bad.yaml") {
		require.Error(t, err)
		require.ErrorAs(t, err, &faults)
		require.Nil(t, site)
		list = func() []config.Fault { return faults.List }
	} else {
		require.NoError(t, err)
		require.NotNil(t, site.Location())
	}
	var b strings.Builder
	for _, f := range list() {
		require.NotZero(t, f.Line)
		require.NotEmpty(t, f.Remedy)
		b.WriteString(strings.TrimPrefix(f.String(), name+":") + "\n")
	}
	return b.String()
}

func header(data []byte) string {
	var b strings.Builder
	for line := range strings.Lines(string(data)) {
		text, ok := strings.CutPrefix(line, mark)
		if !ok {
			break
		}
		b.WriteString(text)
	}
	return b.String()
}

func withHeader(data []byte, want string) []byte {
	for bytes.HasPrefix(data, []byte(mark)) {
		_, data, _ = bytes.Cut(data, []byte("\n"))
	}
	var b strings.Builder
	for line := range strings.Lines(want) {
		b.WriteString(mark + line)
	}
	return append([]byte(b.String()), data...)
}

func TestTenFaultsAreToldAtOnce(t *testing.T) {
	_, err := config.Load("testdata/ten-faults.bad.yaml")
	var faults *config.Faults
	require.ErrorAs(t, err, &faults)
	require.Len(t, faults.List, 10)
	lines := map[int]bool{}
	for _, f := range faults.List {
		require.NotEmpty(t, f.Path)
		require.NotEmpty(t, f.What)
		require.NotEmpty(t, f.Remedy)
		lines[f.Line] = true
	}
	require.Len(t, lines, 10, "each on its own line")
	require.Len(t, strings.Split(err.Error(), "\n"), 10)
}

func TestExampleHasNothingToComplainAbout(t *testing.T) {
	site, err := config.Load("../deploy/example-site.yaml")
	require.NoError(t, err)
	require.Empty(t, site.Warnings())
	require.Equal(t, filepath.Join("..", "deploy", "data"), site.DataDir())
	require.Len(t, site.Points, 6)
	require.Equal(t, "gw-tower", site.GatewayOf("d-203").ID)
	require.Equal(t, "d-101", site.DispenserAt("unloader-1-drive").ID)
}

func TestSecretsAreNotRepeated(t *testing.T) {
	for _, name := range []string{"broker.bad.yaml", "broker-account-in-address.bad.yaml"} {
		_, err := config.Load(filepath.Join("testdata", name))
		require.Error(t, err)
		require.NotContains(t, err.Error(), "swordfish")
		require.Contains(t, err.Error(), "password_file")
	}
}

func TestLoadOfNoFile(t *testing.T) {
	_, err := config.Load(filepath.Join(t.TempDir(), "none.yaml"))
	require.ErrorIs(t, err, os.ErrNotExist)
	var faults *config.Faults
	require.False(t, errors.As(err, &faults))
	_, err = config.Load(t.TempDir())
	require.ErrorContains(t, err, "want a file")
}

func TestDataDirectory(t *testing.T) {
	text, err := os.ReadFile("testdata/minimal.good.yaml")
	require.NoError(t, err)
	site, err := config.Parse(filepath.Join("etc", "site.yaml"), text)
	require.NoError(t, err)
	require.Equal(t, filepath.Join("etc", "data"), site.DataDir())
	absolute := bytes.Replace(text, []byte("data: data"), []byte("data: /var/lib/dwindle"), 1)
	site, err = config.Parse(filepath.Join("etc", "site.yaml"), absolute)
	require.NoError(t, err)
	require.Equal(t, "/var/lib/dwindle", site.DataDir())
}
