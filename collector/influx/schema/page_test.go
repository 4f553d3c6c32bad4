package schema_test

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

var update = flag.Bool("update", false, "rewrite what is made in deploy/INFLUXDB.md and deploy/ANALYST.md")

const page = "../../../deploy/INFLUXDB.md"

// between replaces what stands between two marks of the page, or compares it.
func between(t *testing.T, mark, want string) {
	t.Helper()
	text, err := os.ReadFile(page)
	require.NoError(t, err)
	first, last := "<!-- "+mark+": made by go test ./collector/influx/schema -update -->\n", "<!-- "+mark+" ends -->\n"
	head, rest, ok := strings.Cut(string(text), first)
	require.True(t, ok, "the page has the mark %q", first)
	got, tail, ok := strings.Cut(rest, last)
	require.True(t, ok, "the page has the mark %q", last)
	if *update {
		require.NoError(t, os.WriteFile(page, []byte(head+first+want+last+tail), 0o644))
		return
	}
	// A table of this size is compared by lines: the first that differs says enough.
	was, now := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range max(len(was), len(now)) {
		if i >= len(was) || i >= len(now) || was[i] != now[i] {
			line := func(l []string) string { return append(l[min(i, len(l)):], "(the end)")[0] }
			require.FailNow(t, "run go test ./collector/influx/schema -update, and look at the difference", "line %d behind the mark %q is\n%s\nand should be\n%s", i+1, mark, line(was), line(now))
		}
	}
}

// The page's tables are made of the one that the encoder writes by.
func TestThePageHasTheTable(t *testing.T) {
	var b strings.Builder
	cell := func(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
	for _, m := range schema.Measurements() {
		fmt.Fprintf(&b, "\n### `%s`\n\n%s Time of a point: %s.\n\n| name | kind | unit | meaning |\n|---|---|---|---|\n", m.Name, m.About, m.Time)
		for _, c := range m.Columns {
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", c.Name, c.Kind, cell(c.Unit), cell(c.About))
		}
	}
	b.WriteString("\n")
	between(t, "schema", b.String())

	b.Reset()
	b.WriteString("\n| bit | word | bit | word |\n|---|---|---|---|\n")
	var words []string
	for i := range 32 {
		if w := reading.Flags(1 << i).String(); w != "" {
			words = append(words, fmt.Sprintf("| %d | `%s` ", 1<<i, w))
		}
	}
	half := (len(words) + 1) / 2
	for i := range half {
		b.WriteString(words[i])
		if i+half < len(words) {
			b.WriteString(words[i+half])
		}
		b.WriteString("|\n")
	}
	b.WriteString("\n")
	between(t, "flags", b.String())
}

// terminal is a few days of a made-up riverside grain terminal.
func terminal(t *testing.T) string {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	var lines []byte
	first := civil.New(2026, 3, 27) // the clocks go forward on the 29th
	put := func(device string, q reading.Quantity, at time.Time, v float64) {
		lines, err = schema.Append(lines, "riverside", reading.Reading{Channel: reading.Channel{Device: device, Quantity: q}, At: at, Received: at.Add(400 * time.Millisecond), FromDevice: true, Value: v, Count: int64(v)})
		require.NoError(t, err)
	}
	row := func(measurement string, day civil.Date, row map[string]any) {
		lines, err = schema.AppendDaily(lines, "riverside", measurement, row, day, berlin)
		require.NoError(t, err)
	}
	run := []float64{16.5, 7.25, 0, 15.75}
	for n := range 4 {
		day := first + civil.Date(n)
		for h := range 4 {
			at := day.Start(berlin).Add(time.Duration(6*h) * time.Hour)
			put("elev-1", reading.RunHours, at, 5120+24*float64(n)*0.4+float64(h))
			put("d-101", reading.LevelPercent, at, 64-3*float64(n)-0.5*float64(h))
			put("d-202", reading.LevelPercent, at, 31-0.25*float64(n))
			put("d-202", reading.PulseCount, at, float64(8000+40*n+10*h))
		}
		row(schema.Usage, day, map[string]any{"machine": "elev-1", "date": day, "run_hours": run[n], "seen": 1})
		row(schema.Usage, day, map[string]any{"dispenser": "d-101", "point": "elev-1-head", "machine": "elev-1", "run_hours": run[n], "commanded_cm3": 0.042 * run[n], "delivered_cm3": 0.04 * run[n], "seen": 1})
		row(schema.Usage, day, map[string]any{"dispenser": "d-202", "point": "gate-1-rack", "machine": "gate-1", "pulses": 40, "commanded_cm3": 12, "seen": 0.75, "flags": "gap"})
		row(schema.Register, day, map[string]any{"point": "elev-1-head", "machine": "elev-1", "area": "tower", "dispenser": "d-101", "lubricant": "ep2"})
		row(schema.Register, day, map[string]any{"point": "gate-1-rack", "machine": "gate-1", "area": "quay", "dispenser": "d-202", "lubricant": "ep2"})
		row(schema.Forecast, day, map[string]any{"point": "elev-1-head", "machine": "elev-1", "dispenser": "d-101", "remaining_cm3": 77 - 3.5*float64(n), "empty_p10": civil.New(2026, 4, 24), "empty_p50": civil.New(2026, 5, 3) - civil.Date(n/2), "empty_p90": civil.New(2026, 5, 19), "basis": "daytypes"})
		row(schema.Forecast, day, map[string]any{"point": "gate-1-rack", "machine": "gate-1", "dispenser": "d-202", "withheld": "no reservoir change is known"})
	}
	return string(lines)
}

var (
	example = regexp.MustCompile("(?s)```flux\n(.*?)```\n\n```\n(.*?)```\n")
	kept    = regexp.MustCompile(`keep\(columns: \[(.*?)\]\)`)
)

// Each query on the pages was run, and what it is said to give is what it gave.
func TestThePagesShowRealOutput(t *testing.T) {
	s := influxtest.Start(t)
	bucket := s.Bucket(t)
	s.Write(t, bucket, terminal(t))
	for _, page := range []string{page, "../../../deploy/ANALYST.md"} {
		text, err := os.ReadFile(page)
		require.NoError(t, err)
		found := example.FindAllStringSubmatchIndex(string(text), -1)
		require.Len(t, found, strings.Count(string(text), "```flux\n"), "each query of %s has its output behind it", page)
		require.NotEmpty(t, found, page)
		out, end := "", 0
		for _, at := range found {
			query := string(text[at[2]:at[3]])
			columns := kept.FindAllStringSubmatch(query, -1)
			require.NotEmpty(t, columns, "an example ends with keep(columns: [...]), which gives the order")
			var names []string
			for name := range strings.SplitSeq(columns[len(columns)-1][1], ",") {
				names = append(names, strings.Trim(name, ` "`))
			}
			got := table(names, s.Query(t, strings.ReplaceAll(query, `"lube"`, fmt.Sprintf("%q", bucket))))
			if !*update {
				require.Equal(t, string(text[at[4]:at[5]]), got, "%s", query)
			}
			out += string(text[end:at[4]]) + got
			end = at[5]
		}
		if *update {
			require.NoError(t, os.WriteFile(page, []byte(out+string(text[end:])), 0o644))
		}
	}
}

// table lines up rows under their names.
func table(names []string, rows []map[string]string) string {
	width := make([]int, len(names))
	lines := [][]string{names}
	for _, r := range rows {
		line := make([]string, len(names))
		for i, name := range names {
			line[i] = r[name]
		}
		lines = append(lines, line)
	}
	for _, line := range lines {
		for i, cell := range line {
			width[i] = max(width[i], len(cell))
		}
	}
	var b strings.Builder
	for _, line := range lines {
		var parts []string
		for i, cell := range line {
			parts = append(parts, fmt.Sprintf("%-*s", width[i], cell))
		}
		b.WriteString(strings.TrimRight(strings.Join(parts, "  "), " ") + "\n")
	}
	return b.String()
}

// What people write queries with stands on the page, and what figures and
// health say of points that were refused.
func TestThePageNamesMeasurementsAndReasons(t *testing.T) {
	text, err := os.ReadFile(page)
	require.NoError(t, err)
	for _, reason := range outbox.Reasons {
		require.Contains(t, string(text), "`"+reason+"` (")
	}
	for _, m := range schema.Measurements() {
		require.True(t, slices.Contains(strings.Split(string(text), "\n"), "### `"+m.Name+"`"), m.Name)
	}
}
