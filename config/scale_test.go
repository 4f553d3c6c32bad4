package config_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
)

// large is a site file of n points, written as people write them.
func large(n int) []byte {
	var b strings.Builder
	b.WriteString(rest)
	b.WriteString("areas: [{id: quay}]\nmachines:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - id: belt-%d\n    name: Belt conveyor %d\n    area: quay\n    criticality: A\n    every: 5m\n", i, i)
	}
	b.WriteString("points:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - id: belt-%d-drive\n    name: Drive bearing\n    machine: belt-%d\n    location: walkway, land side\n    sequence: %d\n"+
			"    lubricant: ep2\n    reservoir: res-125\n    plan:\n      dose_cm3_per_100h: 4.2\n      hours_per_week: 60\n", i, i, i)
	}
	b.WriteString("dispensers:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - id: d-%d\n    serial: A-%d\n    model: run-range\n    point: belt-%d-drive\n    every: 1h\n    settings:\n"+
			"      - {valid_from: 2026-01-12, pacing: run, cm3_per_100h: 4.2}\n    channels:\n      - {kind: level, step_percent: 1}\n", i, i, i)
	}
	return []byte(b.String())
}

func TestAThousandPointsLoad(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(file, large(1000), 0o600))
	site, err := config.Load(file)
	require.NoError(t, err)
	require.Len(t, site.Points, 1000)
	require.Equal(t, "d-999", site.DispenserAt("belt-999-drive").ID)
	require.Len(t, config.Effective(site)[0].Origin, len(file)+2)
}

// BenchmarkLoad1000Points loads a site of a thousand points. Beside the time it
// gives the ratio to bare parsing of the same text into YAML nodes.
func BenchmarkLoad1000Points(b *testing.B) {
	data := large(1000)
	file := filepath.Join(b.TempDir(), "site.yaml")
	require.NoError(b, os.WriteFile(file, data, 0o600))
	var load, bare time.Duration
	for b.Loop() {
		start := time.Now()
		_, err := config.Load(file)
		load += time.Since(start)
		require.NoError(b, err)

		start = time.Now()
		var root yaml.Node
		require.NoError(b, yaml.Unmarshal(data, &root))
		bare += time.Since(start)
	}
	b.ReportMetric(load.Seconds()/float64(b.N), "s/load")
	b.ReportMetric(load.Seconds()/bare.Seconds(), "x-bare-yaml")
}

func TestAliasesCannotUnfoldWithoutBound(t *testing.T) {
	var b strings.Builder
	b.WriteString("points: []\ndispenser_models:\n  - pulse_steps_cm3: &many [" + strings.Repeat("1,", 5000) + "1]\n")
	for range 5000 {
		b.WriteString("  - pulse_steps_cm3: *many\n")
	}
	_, err := config.Parse("bomb.yaml", []byte(b.String()))
	require.ErrorContains(t, err, "aliases unfold into more than a site can hold")
}

func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/*.yaml")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	for _, odd := range []string{"", "\x00", "a: &a [*a]", "<<: {<<: {site: x}}", "? [a]\n: b", "points: [[[[", "site: !!binary aGk=", "areas: [{id: 1}, {id: ~}, ~]", "limits: {drift_days: 1e99}"} {
		f.Add([]byte(odd))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		site, err := config.Parse("fuzz.yaml", data)
		if err != nil {
			require.Nil(t, site)
			var faults *config.Faults
			require.ErrorAs(t, err, &faults)
			require.NotEmpty(t, faults.List)
			for _, one := range faults.List {
				require.Positive(t, one.Line)
				require.NotEmpty(t, one.What)
			}
			return
		}
		config.Effective(site)
		text, err := site.Marshal()
		require.NoError(t, err)
		again, err := config.Parse("again.yaml", text)
		require.NoError(t, err, "%s", text)
		require.Equal(t, values(site), values(again))
	})
}
