package journaltest

import (
	"context"
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
	RunFaults(t, 16, func(t *testing.T) Readings { return openEmbedded(t) }, func(t *testing.T) (Readings, Breaker) { return Broken(openEmbedded(t)) })
}
