package station_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// fleetPoints and fleetDays are the size of the benchmark's plant; readings
// come every six hours, levels once a day.
const (
	fleetPoints = 1000
	fleetDays   = 180
)

// BenchmarkFleetPass opens the journal of a plant of a thousand points with 180
// days behind them, forecasts all of them, and closes it again, as
// `dwindle forecast` does. It reports points a second, opening included, and
// the most memory that the process held meanwhile.
func BenchmarkFleetPass(b *testing.B) {
	site, path, at := fleet(b)
	ctx := context.Background()
	debug.FreeOSMemory()
	// 5: "reset the peak resident set size" (Linux, man proc_pid_clear_refs).
	peak := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) == nil
	n := 0
	for b.Loop() {
		n++
		j, err := journal.OpenReader(ctx, path, journal.Options{})
		require.NoError(b, err)
		past, done := collector.NewHistory(j, func() *config.Site { return site }).Pin(ctx)
		f, err := forecast.Pass(ctx, site, past, at, forecast.Options{})
		require.NoError(b, err)
		done()
		require.Len(b, f.States, fleetPoints)
		require.NoError(b, j.Close())
	}
	b.StopTimer()
	b.ReportMetric(float64(n*fleetPoints)/b.Elapsed().Seconds(), "points/s")
	if peak {
		b.ReportMetric(peakMB(b), "peak-MB")
	}
	info, err := os.Stat(path)
	require.NoError(b, err)
	b.ReportMetric(float64(info.Size())/1e6, "file-MB")
}

// fleet makes the journal, closed in order.
func fleet(b *testing.B) (site *config.Site, path string, at time.Time) {
	b.Helper()
	plant := simulate.New(simulate.Options{Seed: 7, Points: fleetPoints, Days: fleetDays, ReportEvery: 6 * time.Hour})
	site = plant.Site()
	ctx := context.Background()
	path = filepath.Join(b.TempDir(), "journal.db")
	j, err := journal.Open(ctx, path, journal.Options{})
	require.NoError(b, err)
	in := collector.NewIntake(func() *config.Site { return site }, j, health.New(nil), nil)
	run, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(run) }()
	require.NoError(b, in.Record(ctx, plant.Facts()...))
	for m := range plant.Messages() {
		require.NoError(b, in.Submit(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}))
	}
	require.NoError(b, in.Flush(ctx))
	stop()
	require.ErrorIs(b, <-ended, context.Canceled)
	require.NoError(b, j.Close())
	runtime.GC()
	return site, path, plant.End()
}

// peakMB gives the process's peak resident memory since it was reset.
func peakMB(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/status")
	require.NoError(b, err)
	_, rest, ok := strings.Cut(string(text), "\nVmHWM:")
	require.True(b, ok)
	var kB float64
	_, err = fmt.Sscan(rest, &kB)
	require.NoError(b, err)
	return kB / 1024
}
