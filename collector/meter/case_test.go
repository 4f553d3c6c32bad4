package meter

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// testCase is one file of testdata: a series of readings as they may come from
// a faulty device, and the intervals that must follow. Lines:
//
//	group run|pulse|dose
//	every|debounce|bounce DURATION, max_per_hour N, cm3_per_stroke N
//	in TIME QUANTITY VALUE [recv] [id=KEY]
//	out FROM TO AMOUNT seen|known|unknown [flags...]
//	pending TIME          something is held since then
//	flush TIME            as out lines, from Flush
//	provisional FROM TO AMOUNT seen|known|unknown
//	# comment
//
// Times are UTC, written 03-02T08:00:00 in the year 2026; a clock time alone
// is on 2 March. Expected numbers are worked out by hand in the comments.
type testCase struct {
	group   Group
	rules   Rules
	in      []reading.Reading
	out     []string
	pending string
	flush   time.Time
	later   []string
}

func parseTime(t *testing.T, text string) time.Time {
	t.Helper()
	if len(text) > 2 && text[2] == ':' {
		text = "03-02T" + text
	}
	if strings.Count(text, ":") == 1 {
		text += ":00"
	}
	at, err := time.Parse("2006-01-02T15:04:05", "2026-"+text)
	require.NoError(t, err)
	return at
}

func loadCase(t *testing.T, path string) testCase {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	var c testCase
	lines := bufio.NewScanner(file)
	for lines.Scan() {
		text, _, _ := strings.Cut(lines.Text(), "#")
		w := strings.Fields(text)
		if len(w) == 0 {
			continue
		}
		switch w[0] {
		case "group":
			c.group = map[string]Group{"run": Run, "pulse": Pulse, "dose": Dose}[w[1]]
		case "every", "debounce", "bounce":
			d, err := time.ParseDuration(w[1])
			require.NoError(t, err)
			*map[string]*time.Duration{"every": &c.rules.Every, "debounce": &c.rules.Debounce, "bounce": &c.rules.Bounce}[w[0]] = d
		case "max_per_hour", "cm3_per_stroke":
			x, err := strconv.ParseFloat(w[1], 64)
			require.NoError(t, err)
			*map[string]*float64{"max_per_hour": &c.rules.MaxPerHour, "cm3_per_stroke": &c.rules.CM3PerStroke}[w[0]] = x
		case "in":
			r := reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.Quantity(w[2])}, At: parseTime(t, w[1]), FromDevice: true}
			require.True(t, c.group.Wants(r.Quantity), "%s: %q", path, w[2])
			if r.Quantity.Exact() {
				r.Count, err = strconv.ParseInt(w[3], 10, 64)
				r.Value = float64(r.Count)
			} else {
				r.Value, err = strconv.ParseFloat(w[3], 64)
			}
			require.NoError(t, err)
			for _, extra := range w[4:] {
				if key, ok := strings.CutPrefix(extra, "id="); ok {
					r.Key = key
				}
				if extra == "recv" {
					r.FromDevice = false
				}
			}
			r.Received = r.At
			c.in = append(c.in, r)
		case "out", "provisional":
			amount, err := strconv.ParseFloat(w[3], 64)
			require.NoError(t, err)
			flags, err := reading.ParseFlags(strings.Join(w[5:], " "))
			require.NoError(t, err)
			iv := Interval{From: parseTime(t, w[1]), To: parseTime(t, w[2]), Amount: amount, Seen: w[4] == "seen", Known: w[4] != "unknown", Flags: flags}
			if w[0] == "out" {
				c.out = append(c.out, show(iv))
			} else {
				c.later = append(c.later, show(iv))
			}
		case "pending":
			c.pending = parseTime(t, w[1]).Format(time.RFC3339)
		case "flush":
			c.flush = parseTime(t, w[1])
		default:
			t.Fatalf("%s: line %q", path, text)
		}
	}
	require.NoError(t, lines.Err())
	return c
}

// show writes an interval as the test files do; amounts to 1e-6.
func show(iv Interval) string {
	word := "unknown"
	if iv.Seen {
		word = "seen"
	} else if iv.Known {
		word = "known"
	}
	amount := math.Round(iv.Amount*1e6) / 1e6
	const layout = "01-02T15:04:05.999"
	return strings.TrimSpace(fmt.Sprintf("%s %s %v %s %s", iv.From.Format(layout), iv.To.Format(layout), amount, word, iv.Flags))
}

// addAll folds readings and copies the intervals out.
func addAll(f *Fold, in []reading.Reading) []Interval {
	var out []Interval
	for _, r := range in {
		out = append(out, f.Add(r)...)
	}
	return out
}

func showAll(list []Interval) []string {
	var out []string
	for _, iv := range list {
		out = append(out, show(iv))
	}
	return out
}

func TestFaultyDevices(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, path := range files {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			c := loadCase(t, path)
			f := New(c.group, c.rules)
			require.Equal(t, c.out, showAll(addAll(f, c.in)))
			pending := ""
			if since, ok := f.Pending(); ok {
				pending = since.Format(time.RFC3339)
			}
			require.Equal(t, c.pending, pending)
			if !c.flush.IsZero() {
				before := f.State()
				require.Equal(t, c.later, showAll(f.Flush(c.flush)))
				require.Equal(t, before, f.State(), "Flush must not change the fold")
			}

			// The same from a checkpoint behind every reading.
			for cut := range c.in {
				first, second := New(c.group, c.rules), New(c.group, c.rules)
				out := addAll(first, c.in[:cut])
				require.NoError(t, second.Restore(first.State()))
				out = append(out, addAll(second, c.in[cut:])...)
				require.Equal(t, c.out, showAll(out))
				require.Equal(t, f.State(), second.State())
			}
		})
	}
}
