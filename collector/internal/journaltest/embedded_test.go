package journaltest

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/journal"
	"dwindle/config"
)

func TestMain(m *testing.M) {
	code := influxtest.Main(m)
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// embedded is the journal on this machine, and the history over it.
type embedded struct {
	*collector.History
	j *journal.Journal
}

func (e *embedded) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	r, err := e.j.Commit(ctx, b)
	return r.Outcomes, err
}

func openEmbedded(t *testing.T) *embedded {
	t.Helper()
	j, err := journal.Open(context.Background(), filepath.Join(t.TempDir(), "journal.db"), journal.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	site, err := Site()
	require.NoError(t, err)
	return &embedded{collector.NewHistory(j, func() *config.Site { return site }), j}
}

func TestTheEmbeddedJournal(t *testing.T) {
	Run(t, func(t *testing.T) Store { return openEmbedded(t) })
}

func TestTheEmbeddedJournalUnderFaults(t *testing.T) {
	RunFaults(t, Trial{
		Truth: func(t *testing.T) Readings { return openEmbedded(t) }, Open: func(t *testing.T) (Readings, Breaker) { return Broken(openEmbedded(t)) },
		Steps: 18, Rounds: rounds(1, int(faultsEnd)),
	})
}

// long runs the fault tests in their long form.
var long = flag.Bool("long", false, "run the fault tests with all faults everywhere")

func rounds(short, many int) int {
	if *long {
		return many
	}
	return short
}
