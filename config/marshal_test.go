package config_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
	"dwindle/config/civil"
)

// values are a site's values without their origins, and without what says as
// much as nothing.
func values(s *config.Site) (out []string) {
	for _, v := range config.Effective(s) {
		if slices.Contains([]string{"", "0", "0s", "[]"}, v.Value) && !strings.HasSuffix(v.Path, "lowest_temp_c") {
			continue
		}
		out = append(out, v.Path+" = "+v.Value)
	}
	return out
}

func goodFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("testdata/*.good.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	return append(files, "../deploy/example-site.yaml")
}

func TestWrittenSitesLoadAgain(t *testing.T) {
	for _, file := range goodFiles(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			site, err := config.Load(file)
			require.NoError(t, err)
			text, err := site.Marshal()
			require.NoError(t, err)
			again, err := config.Parse(file, text)
			require.NoError(t, err, "%s", text)
			require.Equal(t, values(site), values(again))
			second, err := again.Marshal()
			require.NoError(t, err)
			require.Equal(t, string(text), string(second))
			require.NoError(t, site.Validate())
			for i := range site.Lubricants {
				require.Equal(t, site.Lubricants[i].DensityKnown(), again.Lubricants[i].DensityKnown())
			}
		})
	}
}

// The decoder here must give the values that the YAML library gives.
func TestValuesAreThoseOfTheLibrary(t *testing.T) {
	for _, file := range goodFiles(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			site, err := config.Parse(file, data)
			require.NoError(t, err)
			strict := yaml.NewDecoder(bytes.NewReader(data))
			strict.KnownFields(true)
			var other config.Site
			require.NoError(t, strict.Decode(&other))
			require.NoError(t, other.Reindex())
			require.Equal(t, values(site), values(&other))
		})
	}
}

func TestSiteMadeByHand(t *testing.T) {
	no, zero := false, 0.0
	site := &config.Site{
		ID: "made", Name: `yes: "quoted" #1`, Zone: "UTC", Data: "data",
		Areas:      []config.Area{{ID: "1e3", Name: "2026-01-01"}, {ID: "a.b_c-D"}},
		Machines:   []config.Machine{{ID: "m", Area: "1e3", RunSignal: &no}},
		Lubricants: []config.Lubricant{{ID: "l", DensityGPerCM3: config.DefaultDensityGPerCM3, LowestTempC: &zero}, {ID: "unknown-density"}},
		Reservoirs: []config.Reservoir{{ID: "r", NominalCM3: 60, UsableCM3: 57.5}},
		Models: []config.DispenserModel{{ID: "p", Pacing: []config.Pacing{config.PacingPulse}, PulseRangeCM3: &config.Range{From: 0.1, To: 1, Step: 0.1},
			Reservoirs: []string{"r"}}},
		Points: []config.Point{{ID: "pt", Machine: "m", Lubricant: "l", Reservoir: "r", Plan: config.Plan{DoseCM3PerDay: 0.6, PulsesPerDay: 2}}},
		Dispensers: []config.Dispenser{{ID: "d", Model: "p", Point: "pt", Every: 90 * time.Second,
			Settings: []config.Setting{{ValidFrom: date(t, "2026-01-01"), Pacing: config.PacingPulse, CM3PerPulse: 0.3}}}},
		Calendar:    config.Calendar{Rounds: []config.Round{{ID: "r", Dates: []civil.Date{date(t, "2026-02-01"), date(t, "2026-03-01")}}}},
		Connections: config.Connections{Embedded: &config.Embedded{Listen: "[::1]:0"}},
	}
	require.NoError(t, site.Validate())
	require.NoError(t, site.Reindex())
	text, err := site.Marshal()
	require.NoError(t, err)
	for _, left := range []string{"limits", "tolerance_percent", "criticality", "prefix", "holidays", "run_steps", "0001", "1970"} {
		require.NotContains(t, string(text), left, "what is empty or a default is left out")
	}
	again, err := config.Parse("made", text)
	require.NoError(t, err)
	require.Equal(t, values(site), values(again))
	require.Equal(t, `yes: "quoted" #1`, again.Name)
	require.Equal(t, "1e3", again.Machine("m").Area)
	require.Equal(t, 0.0, *again.Lubricant("l").LowestTempC)
	require.True(t, again.Lubricant("l").DensityKnown())
	require.False(t, again.Lubricant("unknown-density").DensityKnown())
	require.Equal(t, config.DefaultDensityGPerCM3, again.Lubricant("unknown-density").DensityGPerCM3)

	site.Points[0].Machine = "n"
	require.ErrorContains(t, site.Validate(), `there is no machine "n"`)
}

func TestEffectiveSaysWhereEachValueComesFrom(t *testing.T) {
	site, err := config.Load("../deploy/example-site.yaml")
	require.NoError(t, err)
	origin := map[string]config.Value{}
	for _, v := range config.Effective(site) {
		require.NotEmpty(t, v.Origin)
		require.NotContains(t, origin, v.Path)
		origin[v.Path] = v
	}
	text, err := os.ReadFile("../deploy/example-site.yaml")
	require.NoError(t, err)
	lines := strings.Split(string(text), "\n")
	for path, v := range origin {
		place, ok := strings.CutPrefix(v.Origin, site.Path()+":")
		if !ok {
			require.Contains(t, v.Origin, "default: ", path)
			continue
		}
		n := 0
		for _, r := range place {
			n = 10*n + int(r-'0')
		}
		key := path[strings.LastIndexByte(path, '.')+1:]
		require.Contains(t, lines[n-1], key+":", "%s is said to stand on line %d", path, n)
	}
	require.Equal(t, "2h", origin["limits.silence_min"].Value)
	require.Equal(t, "0.85", origin["limits.under_ratio"].Value)
	require.Equal(t, "default: two standard deviations of a ratio over five level steps", origin["limits.under_ratio"].Origin)
	require.Equal(t, "[0.5, 1, 2, 4, 8]", origin["dispenser_models[1].run_steps_cm3_per_100h"].Value)
	require.Equal(t, "2026-06-01", origin["dispensers[0].settings[1].valid_from"].Value)
	require.Equal(t, "false", origin["machines[3].run_signal"].Value)
	require.Equal(t, "true", origin["machines[0].run_signal"].Value)
	require.NotContains(t, origin, "connections.broker.url")

	require.Equal(t, config.Value{Path: "site", Value: "x", Origin: "made by hand"}, config.Effective(&config.Site{ID: "x"})[0])
}
