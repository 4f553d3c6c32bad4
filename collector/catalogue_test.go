package collector

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
	"golang.org/x/tools/txtar"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/collector/replay"
	"dwindle/config"
	"dwindle/config/civil"
)

// The catalogue of faults: what devices and brokers have been seen to do, one
// case a file, fed through the real intake into a real journal. A file begins
// with the symptom and the rule, and has the sections
//
//	site      keys of the site file that differ from testdata/catalogue/site.yaml
//	in        messages, as in the logs that are replayed
//	fate      messages that were not stored: the line in "in", what became of it
//	readings  what the journal then holds
//	facts     the same, of dated facts
//	duty      per series: intervals, then days, then what is still held
//	events    what was noticed
//	health    what is wrong now
//
// Empty sections are left out. Each case is fed a second time, each message
// twice and all in another order, and a third time with its first half days
// late, when the rest has been made into daily figures; each must give the same
// readings, facts, duty and events.

var updateCatalogue = flag.Bool("update", false, "write what comes out into the files of the catalogue")

const catalogueDir = "testdata/catalogue"

func catalogueFiles(t testing.TB) (files []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(catalogueDir, func(path string, _ fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".txtar") {
			files = append(files, path)
		}
		return err
	}))
	require.NotEmpty(t, files)
	return files
}

func TestCatalogue(t *testing.T) {
	for _, path := range catalogueFiles(t) {
		name, _ := filepath.Rel(catalogueDir, path)
		t.Run(strings.TrimSuffix(filepath.ToSlash(name), ".txtar"), func(t *testing.T) {
			t.Parallel()
			a, err := txtar.ParseFile(path)
			require.NoError(t, err)
			require.True(t, strings.HasPrefix(string(a.Comment), "# "), "a case begins with the symptom and the rule")
			var given, want []txtar.File
			sections := map[string]string{}
			for _, f := range a.Files {
				sections[f.Name] = string(f.Data)
				if f.Name == "site" || f.Name == "in" {
					given = append(given, f)
				} else {
					want = append(want, f)
				}
			}
			site := catalogueSite(t, sections["site"])
			var ms []reading.Message
			for m, err := range replay.Read(strings.NewReader(sections["in"])) {
				require.NoError(t, err)
				m.Source = "broker"
				ms = append(ms, m)
			}
			require.NotEmpty(t, ms)

			got := feed(t, site, ms, true)
			if *updateCatalogue {
				a.Files = append(given, got...)
				require.NoError(t, os.WriteFile(path, txtar.Format(a), 0o644))
			} else {
				require.Equal(t, show(want), show(got))
			}

			other := feed(t, site, mixed(ms), false)
			lasting := func(list []txtar.File) string {
				return show(slices.DeleteFunc(slices.Clone(list), func(f txtar.File) bool { return f.Name == "fate" || f.Name == "health" }))
			}
			require.Equal(t, lasting(got), lasting(other), "in another order")
			half := len(ms) / 2
			late := feed(t, site, slices.Concat(ms[half:], ms[:half]), false, len(ms)-half)
			require.Equal(t, lasting(got), lasting(late), "the first half late")
		})
	}
}

func show(list []txtar.File) string { return string(txtar.Format(&txtar.Archive{Files: list})) }

// mixed gives each message twice, in another order.
func mixed(ms []reading.Message) []reading.Message {
	out := slices.Concat(ms, ms)
	r := rand.New(rand.NewPCG(1, uint64(len(ms))))
	r.Shuffle(len(out), func(i, k int) { out[i], out[k] = out[k], out[i] })
	return out
}

// catalogueSite is the register with some of its keys replaced.
func catalogueSite(t testing.TB, keys string) *config.Site {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(catalogueDir, "site.yaml"))
	require.NoError(t, err)
	all, other := map[string]yaml.Node{}, map[string]yaml.Node{}
	require.NoError(t, yaml.Unmarshal(text, &all))
	require.NoError(t, yaml.Unmarshal([]byte(keys), &other))
	for k, v := range other {
		all[k] = v
	}
	text, err = yaml.Marshal(all)
	require.NoError(t, err)
	site, err := config.Parse("site.yaml", text)
	require.NoError(t, err)
	return site
}

// feed sends messages and gives the sections of what came out. One by one says
// what became of each. Before some, all that has come is made into daily
// figures.
func feed(t *testing.T, site *config.Site, ms []reading.Message, one bool, derive ...int) []txtar.File {
	t.Helper()
	x := startAt(t, site, filepath.Join(memoryDir(t), "journal.db"))
	ctx := context.Background()
	fate := &strings.Builder{}
	for i, m := range ms {
		if slices.Contains(derive, i) {
			x.flush(t)
		}
		if !one {
			x.submit(t, m)
			continue
		}
		answer := make(chan Fate, 1)
		require.NoError(t, x.Feed(ctx, m, func(f Fate) { answer <- f }))
		switch f := <-answer; {
		case f.Err != nil:
			fmt.Fprintf(fate, "%d refused: %v\n", i+1, f.Err)
		case f.Outcome == journal.KeptAside:
			kept, err := x.j.KeptAside(ctx, 1)
			require.NoError(t, err)
			fmt.Fprintf(fate, "%d kept aside, %s: %s\n", i+1, kept[0].Reason, kept[0].Detail)
		case f.Outcome == journal.Duplicate:
			fmt.Fprintf(fate, "%d nothing new\n", i+1)
		}
	}
	x.flush(t)
	defer func() { require.NoError(t, x.stop()) }()

	stored, facts := &strings.Builder{}, &strings.Builder{}
	require.NoError(t, x.h.Readings(ctx, nil, time.Time{}, endOfTime, func(r reading.Reading) error {
		value := fmt.Sprint(r.Value)
		if r.Quantity.Exact() {
			value = fmt.Sprint(r.Count)
		}
		words(stored, r.Device, string(r.Quantity), stamp(r.At), value, r.Key, r.Flags.String())
		return nil
	}))
	list, err := x.h.Facts(ctx, endOfTime)
	require.NoError(t, err)
	for _, f := range list {
		words(facts, string(f.Kind), f.Device, stamp(f.At), number("volume_cm3", f.VolumeCM3), number("cm3_per_pulse", f.CM3PerPulse), number("cm3_per_100h", f.CM3Per100h), f.Serial, strings.Join(f.Faults, ","))
	}
	noted, wrong := &strings.Builder{}, &strings.Builder{}
	seen, err := x.Notices(ctx, false, 1000)
	require.NoError(t, err)
	slices.Reverse(seen)
	for _, n := range seen {
		until := "lasts"
		switch {
		case n.Until.Equal(n.At):
			until = ""
		case !n.Lasts():
			until = "until " + stamp(n.Until)
		}
		words(noted, n.Device, n.About, n.Kind, stamp(n.At), until)
		fmt.Fprintf(noted, "  %s (%s)\n", n.Words, n.Evidence)
	}
	for _, c := range x.checks.List() {
		if c.Level != health.Ok {
			fmt.Fprintf(wrong, "%s: %s\n", c.Name, c.What)
		}
	}
	var out []txtar.File
	for _, f := range []struct{ name, text string }{
		{"fate", fate.String()}, {"readings", stored.String()}, {"facts", facts.String()}, {"duty", x.duty(t)}, {"events", noted.String()}, {"health", wrong.String()},
	} {
		if f.text != "" {
			out = append(out, txtar.File{Name: f.name, Data: []byte(f.text)})
		}
	}
	return out
}

// memoryDir is a folder in memory where there is one: nothing here asks what a
// disk keeps, and hundreds of journals on one would be slow.
func memoryDir(t testing.TB) string {
	dir, err := os.MkdirTemp("/dev/shm", "catalogue")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// duty writes what is made of each series.
func (x *house) duty(t *testing.T) string {
	out := &bytes.Buffer{}
	ctx := context.Background()
	s, err := x.j.Snapshot(ctx)
	require.NoError(t, err)
	defer s.Close()
	all, err := s.Series()
	require.NoError(t, err)
	slices.SortFunc(all, func(a, b journal.Series) int {
		return strings.Compare(a.Device+" "+string(a.Kind), b.Device+" "+string(b.Kind))
	})
	for _, series := range all {
		r, ok := recipeFor(x.site.Load(), series)
		if !ok {
			continue
		}
		fmt.Fprintf(out, "%s %s\n", series.Device, series.Kind)
		if r.level {
			levels, err := x.h.Levels(ctx, series.Device, time.Unix(0, 0), endOfTime)
			require.NoError(t, err)
			for _, l := range levels {
				words(out, " ", stamp(l.At), string(l.Quantity), fmt.Sprint(l.Value), l.Flags.String())
			}
			continue
		}
		f, err := run(s, r, beginning(r, 0, nil), endOfTime, func(_ civil.Date, iv meter.Interval) {
			word := "unknown"
			if iv.Seen {
				word = "seen"
			} else if iv.Known {
				word = "known"
			}
			words(out, " ", stamp(iv.From), stamp(iv.To), shownAmount(iv.Amount), word, iv.Flags.String())
		})
		require.NoError(t, err)
		if since, held := f.meter.Pending(); held {
			words(out, "  held since", stamp(since))
		}
		days, err := x.h.Days(ctx, series.Device, series.Kind, date(t, "2019-01-01"), date(t, "2040-01-01"))
		require.NoError(t, err)
		for _, d := range days {
			words(out, "  day", d.Date.String(), shownAmount(d.Amount), fmt.Sprintf("seen %.3f known %.3f", d.Seen, d.Known), d.Flags.String())
		}
	}
	return out.String()
}

// words writes what is not empty.
func words(w interface{ WriteString(string) (int, error) }, parts ...string) {
	parts = slices.DeleteFunc(parts, func(p string) bool { return p == "" })
	_, _ = w.WriteString(strings.Join(parts, " ") + "\n") // both kinds of writer never fail
}

// stamp writes a time without its zone, which is UTC everywhere.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.999") }

func shownAmount(x float64) string { return fmt.Sprint(math.Round(x*1e6) / 1e6) }

func number(name string, x *float64) string {
	if x == nil {
		return ""
	}
	return fmt.Sprintf("%s=%g", name, *x)
}

// Every kind of fault that the catalogue numbers has a case, or a line in
// elsewhere.txt that names the test that holds it.
func TestCatalogueIsWhole(t *testing.T) {
	id := regexp.MustCompile(`F\d\d`)
	have := map[string]bool{}
	for _, path := range catalogueFiles(t) {
		for _, found := range id.FindAllString(filepath.Base(path), -1) {
			have[found] = true
		}
	}
	text, err := os.ReadFile(filepath.Join(catalogueDir, "elsewhere.txt"))
	require.NoError(t, err)
	for _, l := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		w := strings.Fields(l)
		if len(w) < 3 || strings.HasPrefix(l, "#") {
			continue
		}
		require.NotEmpty(t, id.FindString(w[0]), l)
		_, err := os.Stat(filepath.Join("..", w[1]))
		require.False(t, errors.Is(err, fs.ErrNotExist), l)
		have[w[0]] = true
	}
	var missing []string
	for n := 1; n <= 82; n++ {
		f := fmt.Sprintf("F%02d", n)
		if !have[f] && !slices.Contains(notCatalogued, f) {
			missing = append(missing, f)
		}
	}
	require.Empty(t, missing)
}

// notCatalogued are numbers that were never given.
var notCatalogued = []string{"F05", "F08", "F22", "F24", "F28", "F37", "F42", "F47", "F53", "F55", "F60", "F68", "F72", "F75"}
