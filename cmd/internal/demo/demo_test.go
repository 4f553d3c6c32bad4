package demo

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/forecast"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func TestPrintGolden(t *testing.T) {
	for name, width := range map[string]int{"wide": 0, "narrow": 60} { // 0: not a terminal, hence 100
		t.Run(name, func(t *testing.T) {
			in := fixture(t)
			in.Width = width
			var b bytes.Buffer
			require.NoError(t, Print(&b, in))
			path := filepath.Join("testdata", name+".golden")
			if *update {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err, "run go test -update once")
			require.Equal(t, string(want), b.String())
		})
	}
}

func TestPrintKeepsToTheWidth(t *testing.T) {
	for _, width := range []int{60, 72, 95, 96, 100, 132, 200} {
		in := fixture(t)
		in.Width = width
		var b bytes.Buffer
		require.NoError(t, Print(&b, in))
		for line := range strings.Lines(b.String()) {
			require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimRight(line, "\n")), width, "at %d columns: %q", width, line)
		}
		require.NotContains(t, b.String(), "\x1b", "no colour unless asked for")
	}
}

func TestPrintAlmostNothing(t *testing.T) {
	var b bytes.Buffer
	in := Input{Site: fixtureSite(t), Fleet: forecast.Fleet{At: now}, Width: 20}
	require.NoError(t, Print(&b, in))
	require.Contains(t, b.String(), "There is no forecast yet.")
	require.NotContains(t, b.String(), "What was really wrong")
}

func TestColour(t *testing.T) {
	require.False(t, Colour(&bytes.Buffer{}))
	f, err := os.Open(os.DevNull)
	require.NoError(t, err)
	defer f.Close()
	require.False(t, Colour(f), "a file is no terminal")
	in := fixture(t)
	in.Colour = true
	var b bytes.Buffer
	require.NoError(t, Print(&b, in))
	require.Contains(t, b.String(), "\x1b[1mWhat came in\x1b[0m")
}

func TestAlarmsAreKeptReadable(t *testing.T) {
	in := fixture(t)
	low := in.Open[0]
	low.Priority = alarm.Low
	over := low
	over.State = alarm.ReturnedUnacked
	in.Open = append(in.Open, over)
	for range 20 {
		in.Open = append(in.Open, low)
	}
	var b bytes.Buffer
	require.NoError(t, Print(&b, in))
	text := strings.Join(strings.Fields(b.String()), " ")
	require.Contains(t, text, "22 alarms ask for someone to act (1 high, 1 medium, 20 low)")
	require.Contains(t, text, "... and 10 more of lower rank: 10 x delivers too much.")
	require.Contains(t, text, "Beside these alarms 1 is over and not yet seen by anybody, and 1 is held back")
	require.Equal(t, 1, strings.Count(text, "line leaks, or the setting is too high"), "a cause is given once per kind")
	require.Equal(t, 1, strings.Count(text, "grease is lost"), "what is low is kept short")
}
