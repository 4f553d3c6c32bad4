package station_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
)

// BenchmarkLearn learns a calibration from as much as a fleet may teach: 500
// machines over 400 days in a journal on disk. It
// reports the processor's time, also in passes over as many points, and the
// memory that the process held before and at most.
func BenchmarkLearn(b *testing.B) {
	const machines, days = 500, 400
	site := &config.Site{ID: "riverside", Zone: "Europe/Vienna", Data: b.TempDir(), Areas: []config.Area{{ID: "quay"}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Reservoirs: []config.Reservoir{{ID: "r125", NominalCM3: 125, UsableCM3: 125, FillSDPercent: 2}},
		Models:     []config.DispenserModel{{ID: "m", Pacing: []config.Pacing{config.PacingRun}, CM3PerStroke: 0.25, StrokeSDPercent: 10}},
	}
	start := fleetEnd.AddDate(0, 0, -days)
	var batch journal.Batch
	for i := range machines {
		id := fmt.Sprintf("belt-%03d", i)
		site.Machines = append(site.Machines, config.Machine{ID: id, Area: "quay", Every: 24 * time.Hour})
		point := id + "-head"
		site.Points = append(site.Points, config.Point{ID: point, Machine: id, Lubricant: "grease", Reservoir: "r125", Plan: config.Plan{DoseCM3Per100h: 2.5, HoursPerWeek: 60}})
		site.Dispensers = append(site.Dispensers, config.Dispenser{ID: point + "-d", Model: "m", Point: point,
			Settings: []config.Setting{{ValidFrom: fleetDay(-days - 1), Pacing: config.PacingRun, CM3Per100h: 2.5}}})
		volume, accepted := 125.0, true
		changed := fleetEnd.AddDate(0, 0, -30)
		batch = append(batch, journal.Entry{Person: true, Facts: []reading.Fact{{ID: "change " + point, Kind: reading.FactCommission, Point: point, Device: point + "-d", At: changed, Received: changed, Accepted: &accepted, VolumeCM3: &volume, By: "technician 1"}}})
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		hours, level := 0.0, 4+14*rng.Float64()
		for day := range days + 1 {
			at := start.AddDate(0, 0, day)
			batch = append(batch, journal.Entry{Readings: []reading.Reading{{Channel: reading.Channel{Device: id, Quantity: reading.RunHours}, At: at, Received: at, FromDevice: true, Value: hours}}})
			level = min(20, max(2, level*(1+0.04*rng.NormFloat64())))
			if w := at.Weekday(); i%3 > 0 || w != time.Saturday && w != time.Sunday {
				hours += min(24, max(0, level*(1+0.2*rng.NormFloat64())))
			}
		}
	}
	require.NoError(b, site.Reindex())
	j, err := journal.Open(b.Context(), filepath.Join(site.Data, "journal.db"), journal.Options{})
	require.NoError(b, err)
	for len(batch) > 0 {
		n := min(len(batch), 20_000)
		_, err := j.Commit(b.Context(), batch[:n])
		require.NoError(b, err)
		batch = batch[n:]
	}
	require.NoError(b, j.Close())
	s, err := station.New(b.Context(), site, station.Options{})
	require.NoError(b, err)
	defer s.Close()
	require.NoError(b, s.Intake().Flush(b.Context()))
	batch = nil
	runtime.GC()
	debug.FreeOSMemory()

	before := usedCPU(b)
	fleet, err := s.Pass(b.Context(), fleetEnd)
	require.NoError(b, err)
	pass := usedCPU(b) - before
	for i := range fleet.States {
		require.Empty(b, fleet.States[i].Row.Withheld)
	}
	fleet = forecast.Fleet{}
	runtime.GC()
	debug.FreeOSMemory()
	// 5: "reset the peak resident set size" (Linux, man proc_pid_clear_refs).
	peak := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) == nil
	idle := 0.0
	if peak {
		idle = peakMB(b)
	}
	n := 0
	before = usedCPU(b)
	for b.Loop() {
		n++
		out, err := s.Learn(b.Context(), fleetEnd)
		require.NoError(b, err)
		require.Equal(b, machines, out.Series)
	}
	b.StopTimer()
	used := (usedCPU(b) - before).Seconds() / float64(n)
	b.ReportMetric(used, "cpu-s/op")
	if pass > 0 {
		b.ReportMetric(used/pass.Seconds(), "passes")
	}
	if peak {
		b.ReportMetric(idle, "idle-MB")
		b.ReportMetric(peakMB(b), "peak-MB")
	}
}
