package demo

import (
	"context"
	"flag"
	"log/slog"
	"path/filepath"
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

var seeds = flag.Int("seeds", 1, "how many plants TestFaultsThatCanBeSeenAreFound judges")

// TestFaultsThatCanBeSeenAreFound judges whole plants day by day: what the
// evidence can show is found, and next to nothing is raised without a cause.
func TestFaultsThatCanBeSeenAreFound(t *testing.T) {
	found, observable, wrong, days := 0, 0, 0, 0.0
	for seed := range uint64(*seeds) {
		j := judge(t, simulate.Options{Seed: seed + 1, ReportEvery: 2 * time.Hour})
		f, o := j.outcome.Seen()
		found, observable, wrong = found+f, observable+o, wrong+len(j.outcome.False)
		for _, x := range j.outcome.Findings {
			switch {
			case x.Fault.Observable && !x.Found:
				t.Logf("seed %d: %s at %s since %s was not found, though %s", seed+1, x.Fault.Kind, x.Fault.Where(), x.Fault.Start.Format(time.DateOnly), x.Fault.Why)
			case x.Found:
				days += x.Days
			}
			require.False(t, x.Fault.Kind == simulate.BlockedUnseen && x.Found, "counted evidence never proves delivery")
		}
		for _, r := range j.outcome.False {
			t.Logf("seed %d: false %s at %s%s%s since %s: %s", seed+1, r.Type, r.Point, r.Device, r.Gateway, r.Since.Format(time.DateOnly), r.Detail)
		}
	}
	t.Logf("%d plants: found %d of %d, after %.1f days on average, %d false", *seeds, found, observable, days/float64(max(found, 1)), wrong)
	require.Greater(t, observable, 10**seeds, "a plant has a dozen faults that can be seen")
	require.GreaterOrEqual(t, float64(found), 0.95*float64(observable))
	require.LessOrEqual(t, wrong, *seeds, "at most one false alarm a plant: 30 points for 200 days")
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
