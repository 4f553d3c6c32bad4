package demo

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

var (
	seeds = flag.Int("seeds", 1, "how many plants of each level step TestFaultsThatCanBeSeenAreFound judges")
	table = flag.String("table", "", "a file that gets its table")
)

// levelSteps are the resolutions of level sensors that are judged, percent.
var levelSteps = []float64{2, 10}

// TestFaultsThatCanBeSeenAreFound judges whole plants day by day: what the
// evidence can show is found, and next to nothing is raised without a cause.
// A plant per level step by default; make faults judges twenty of each and
// prints the table.
func TestFaultsThatCanBeSeenAreFound(t *testing.T) {
	require.Positive(t, *seeds)
	tallies := make([]tally, len(levelSteps))
	parts := make([][]tally, len(levelSteps))
	t.Run("plants", func(t *testing.T) { // returns when all its parallel plants have
		for s, step := range levelSteps {
			parts[s] = make([]tally, *seeds)
			for i := range *seeds {
				t.Run(fmt.Sprintf("step-%g/seed-%d", step, i+1), func(t *testing.T) {
					t.Parallel()
					j := judge(t, simulate.Options{Seed: uint64(i + 1), ReportEvery: 2 * time.Hour, LevelStepPercent: step})
					parts[s][i] = newTally(j, step, i+1)
				})
			}
		}
	})
	if t.Failed() {
		return // a plant that could not be judged has said why
	}
	for s := range levelSteps {
		for _, p := range parts[s] {
			tallies[s].add(p)
		}
	}
	var b strings.Builder
	printTallies(&b, tallies)
	t.Logf("this run: seeds 1 to %d at each level step\n%s", *seeds, b.String())
	if *table != "" {
		require.NoError(t, os.WriteFile(*table, []byte(b.String()), 0o644))
	}
	for _, tl := range tallies {
		holdToBounds(t, tl)
	}
}

// judged is one plant watched day by day.
type judged struct {
	plant   *simulate.Plant
	fleet   forecast.Fleet
	history []alarm.Row
	outcome Outcome
}

// judge lets the forecast and the watch look at a plant every morning, as the
// station does, and sets what they raised against the truth.
func judge(t testing.TB, opt simulate.Options) judged {
	t.Helper()
	ctx := context.Background()
	plant := simulate.New(opt)
	site := plant.Site()
	mem := remember(t, plant)
	l, err := ledger.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	require.NoError(t, err)
	defer l.Close()
	watch, err := alerts.NewWatch(ctx, l, func() *config.Site { return site }, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	out := judged{plant: plant}
	first, last := plant.Dates()
	look := func(at time.Time) {
		src := mem.asOf(at)
		out.fleet, err = forecast.Pass(ctx, site, src, at, forecast.Options{})
		require.NoError(t, err)
		_, err = watch.Evaluate(ctx, out.fleet, src)
		require.NoError(t, err)
	}
	for d := first + 1; d <= last; d++ {
		look(d.Start(site.Location()).Add(6 * time.Hour))
	}
	for h := range 5 {
		look(plant.End().Add(time.Duration(h-4) * time.Hour))
	}
	out.history, err = l.Rows(ctx, ledger.Filter{History: true})
	require.NoError(t, err)
	out.outcome = Match(site, plant.Faults(), plant.Glitches(), out.history, out.fleet)
	return out
}
