package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector/simulate"
	"dwindle/forecast/export"
	"dwindle/forecast/export/parquet"
)

// exportedAt is when the demo site of these tests is looked at.
var exportedAt = time.Date(2026, 11, 25, 19, 0, 0, 0, time.UTC)

// demoSite makes a small demo site with its history, the same every time. The
// watch looks at the last days only, which is enough for alarms to be there.
func demoSite(t *testing.T) (file string) {
	t.Helper()
	dir, ctx := t.TempDir(), t.Context()
	plant := simulate.New(simulate.Options{Seed: 1, Points: 10, Days: 64, LevelStepPercent: 2, End: exportedAt})
	site, err := demoCmd{Once: true}.site(&env{ctx: ctx, out: io.Discard, err: io.Discard}, plant, dir)
	require.NoError(t, err)
	p := &played{site: site, plant: plant, hold: make(chan struct{}), stopped: make(chan error, 1)}
	ready := make(chan struct{}, 1)
	p.st, err = station.New(ctx, site, station.Options{HoldWatch: p.hold, Ready: func(station.Addresses) { ready <- struct{}{} }})
	require.NoError(t, err)
	ctx, p.stop = context.WithCancel(ctx)
	go func() { p.stopped <- p.st.Run(ctx) }()
	select {
	case <-ready:
	case err := <-p.stopped:
		require.NoError(t, err)
	}
	require.NoError(t, p.st.Record(ctx, plant.Facts()...))
	_, err = p.feed(ctx, plant.Messages(), 0)
	require.NoError(t, err)
	require.NoError(t, p.st.Intake().Flush(ctx))
	for days := 6; days >= 0; days-- {
		at := exportedAt.AddDate(0, 0, -days)
		_, err := p.st.Pass(ctx, at)
		require.NoError(t, err)
		require.NoError(t, p.acknowledge(ctx, at))
	}
	p.close()
	return filepath.Join(dir, "site.yaml")
}

// asOf runs the program in this process.
func asOf(ctx context.Context, args ...string) (out, said string, code int) {
	var o, e bytes.Buffer
	code = run(ctx, args, strings.NewReader(""), &o, &e)
	return o.String(), e.String(), code
}

// TestExport looks at all tables of one site, which takes some seconds to make.
func TestExport(t *testing.T) {
	file := demoSite(t)
	t.Run("ended", func(t *testing.T) { exportEnded(t, file) })
	dir := t.TempDir()
	exportAll(t, file, dir)
	var sums map[string]map[string]*tally
	t.Run("dictionary", func(t *testing.T) { sums = dictionaryHolds(t, dir) })
	t.Run("duckdb", func(t *testing.T) { duckDBReads(t, dir, sums) })
	t.Run("page", func(t *testing.T) { pageHolds(t, file) })
}

// Whoever ends an export, at whatever moment, finds no half file, and what was
// under the name before is still there.
func exportEnded(t *testing.T, file string) {
	dir := t.TempDir()
	out := filepath.Join(dir, "out")
	untouched := func() {
		entries, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.Len(t, entries, 1)
		kept, err := os.ReadFile(out)
		require.NoError(t, err)
		require.Equal(t, "before", string(kept))
	}
	require.NoError(t, os.WriteFile(out, []byte("before"), 0o600))
	for _, format := range []export.Format{export.CSV, export.JSONLines, export.Parquet} {
		ended, stop := context.WithCancel(t.Context())
		stop()
		_, _, code := asOf(ended, "export", "-c", file, "usage", "--format", string(format), "-o", out)
		require.Equal(t, exitFailed, code)
		untouched()

		// In the middle: more rows are to come than are read ahead.
		ctx, stop := context.WithCancel(t.Context())
		e := &env{ctx: ctx, err: io.Discard, now: func() time.Time { return exportedAt }}
		site, view, at, err := viewFlags{siteFlag: siteFlag{file}}.open(e)
		require.NoError(t, err)
		x := exporter{env: e, site: site, view: view, at: at, only: chosen{site: site}}
		require.NoError(t, x.window("", ""))
		x.table, _ = export.Find("readings", false)
		n := 0
		err = toFile(out, func(w io.Writer) error {
			if x.sink = export.NewText(w, format, x.table); format == export.Parquet {
				x.sink = parquet.New(w, x.table, "1", x.properties())
			}
			return rows(x, func(put func(export.Reading) error) error {
				return x.readings(func(r export.Reading) error {
					if n++; n == 3000 {
						stop()
					}
					return put(r)
				})
			})
		})
		require.ErrorIs(t, err, context.Canceled)
		require.Greater(t, n, 2999)
		require.NoError(t, view.Close())
		untouched()
	}
}
