package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/simulate"
)

// exportedAt is when the demo site of these tests is looked at.
var exportedAt = time.Date(2026, 11, 25, 19, 0, 0, 0, time.UTC)

// demoSite makes a small demo site with its history, alarms and calibration, the
// same every time.
func demoSite(t *testing.T) (file string) {
	t.Helper()
	dir := t.TempDir()
	e := &env{ctx: t.Context(), out: io.Discard, err: io.Discard, now: func() time.Time { return exportedAt }}
	plant := simulate.New(simulate.Options{Seed: 1, Points: 10, Days: 100, LevelStepPercent: 2, End: exportedAt})
	site, err := demoCmd{Once: true}.site(e, plant, dir)
	require.NoError(t, err)
	played, err := play(t.Context(), site, plant, 0, e.note)
	require.NoError(t, err)
	played.close()
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

// counted is a context that is done once it was asked a number of times.
type counted struct {
	context.Context
	left *atomic.Int64
}

func (c counted) Err() error {
	if c.left.Add(-1) < 0 {
		return context.Canceled
	}
	return c.Context.Err()
}

// Whoever ends an export, at whatever moment, finds no half file, and what was
// under the name before is still there.
func exportEnded(t *testing.T, file string) {
	dir := t.TempDir()
	try := func(left int64, format string) (code int, said string, asked int64) {
		var n atomic.Int64
		n.Store(left)
		_, said, code = asOf(counted{t.Context(), &n}, "export", "-c", file, "readings", "--format", format, "-o", filepath.Join(dir, "out"))
		return code, said, left - n.Load()
	}
	for _, format := range []string{"csv", "jsonl", "parquet"} {
		code, said, asked := try(1<<40, format)
		require.Zero(t, code, said)
		whole, err := os.ReadFile(filepath.Join(dir, "out"))
		require.NoError(t, err)
		require.Greater(t, len(whole), 10_000)
		require.NoError(t, os.WriteFile(filepath.Join(dir, "out"), []byte("before"), 0o600))
		for _, left := range []int64{asked / 2, asked - 3} {
			code, said, _ = try(left, format)
			require.Equal(t, exitFailed, code, "ended after %d of %d looks", left, asked)
			require.Contains(t, said, "ended before the table was whole")
			entries, err := os.ReadDir(dir)
			require.NoError(t, err)
			require.Len(t, entries, 1)
			kept, err := os.ReadFile(filepath.Join(dir, "out"))
			require.NoError(t, err)
			require.Equal(t, "before", string(kept))
		}
		require.NoError(t, os.Remove(filepath.Join(dir, "out")))
	}
}
