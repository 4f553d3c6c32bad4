package station_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

var (
	fleetPoints  = flag.Int("points", 2000, "points of the fleet that BenchmarkColdPass forecasts")
	fleetShared  = flag.Int("shared", 1, "points on each machine of that fleet")
	fleetJournal = flag.String("journal", "", "keep that fleet's journal in this file, and use it if it is there; default a new one each time")
)

// fleetDays is how much is behind the benchmark's fleet.
const fleetDays = 180

// fleetEnd is when its forecasts are made.
var fleetEnd = time.Date(2026, 7, 1, 6, 30, 0, 0, time.UTC)

// BenchmarkColdPass opens the journal of a fleet with 180 days behind it,
// forecasts all of its points, and closes it again, as `dwindle forecast` does.
// It reports points a second, opening included, and the most memory that the
// process held meanwhile. `make cold` runs it in a process that does nothing
// else, on a journal that another one made.
func BenchmarkColdPass(b *testing.B) {
	site, path := fleet(b), *fleetJournal
	if path == "" {
		path = filepath.Join(b.TempDir(), "journal.db")
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		// Under another name until it is whole.
		makeFleetJournal(b, site, path+".part")
		require.NoError(b, os.Rename(path+".part", path))
		if *fleetJournal != "" {
			b.Skip("the journal is made; run it again to measure in a process that did nothing else")
		}
	}
	upToDate(b, path)
	debug.FreeOSMemory()
	// 5: "reset the peak resident set size" (Linux, man proc_pid_clear_refs).
	peak := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) == nil
	ctx := context.Background()
	before := usedCPU(b)
	n, dated := 0, 0
	defer station.Sparing()()
	for b.Loop() {
		n++
		j, err := journal.OpenReader(ctx, path, journal.Options{})
		require.NoError(b, err)
		past, done := collector.NewHistory(j, func() *config.Site { return site }).Pin(ctx)
		f, err := forecast.Pass(ctx, site, past, fleetEnd, forecast.Options{})
		require.NoError(b, err)
		done()
		require.Len(b, f.States, len(site.Points))
		dated = 0
		for i := range f.States {
			if f.States[i].Row.Withheld == "" {
				dated++
			}
		}
		require.NoError(b, j.Close())
	}
	b.StopTimer()
	b.ReportMetric((usedCPU(b)-before).Seconds()*1e6/float64(n*len(site.Points)), "cpu-us/point")
	// A verdict by chance may withhold one in thousands.
	require.Greater(b, dated, len(site.Points)*99/100, "points without a forecast have not been measured")
	b.ReportMetric(float64(n*len(site.Points))/b.Elapsed().Seconds(), "points/s")
	if peak {
		b.ReportMetric(peakMB(b), "peak-MB")
	}
	info, err := os.Stat(path)
	require.NoError(b, err)
	b.ReportMetric(float64(info.Size())/1e6, "file-MB")
}

// upToDate brings a file up to date that an older program made.
func upToDate(b *testing.B, path string) {
	b.Helper()
	ctx := context.Background()
	j, err := journal.OpenReader(ctx, path, journal.Options{})
	if err != nil {
		j, err = journal.Open(ctx, path, journal.Options{})
	}
	require.NoError(b, err)
	require.NoError(b, j.Close())
}

// fleet makes the site: one dispenser to a point; of every three points one has
// a level, one is paced by pulses, and one has neither.
func fleet(b *testing.B) *config.Site {
	b.Helper()
	s := &config.Site{
		ID: "riverside", Zone: "Europe/Vienna",
		Areas:      []config.Area{{ID: "tower"}, {ID: "quay"}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Reservoirs: []config.Reservoir{{ID: "r125", NominalCM3: 125, UsableCM3: 125, FillSDPercent: 2}},
		Models:     []config.DispenserModel{{ID: "m", Pacing: []config.Pacing{config.PacingRun, config.PacingPulse}, CM3PerStroke: 0.25, StrokeSDPercent: 10}},
		Calendar: config.Calendar{
			Rounds:    []config.Round{{ID: "round", First: fleetDay(-170), EveryWeeks: 2}},
			Holidays:  []config.Holiday{{Date: fleetDay(-61), Name: "first of May"}, {Date: fleetDay(45), Name: "mid of August"}},
			Shutdowns: []config.Shutdown{{From: fleetDay(-100), To: fleetDay(-95), Areas: []string{"quay"}}, {From: fleetDay(40), To: fleetDay(50)}},
		},
	}
	for i := range *fleetPoints {
		machine := fmt.Sprintf("machine-%06d", i / *fleetShared)
		if i%*fleetShared == 0 {
			s.Machines = append(s.Machines, config.Machine{ID: machine, Area: s.Areas[i / *fleetShared % 2].ID, Every: 24 * time.Hour})
		}
		point := fmt.Sprintf("point-%06d", i)
		p := config.Point{ID: point, Machine: machine, Lubricant: "grease", Reservoir: "r125", Plan: config.Plan{DoseCM3Per100h: 2.5, HoursPerWeek: 90}}
		set := config.Setting{ValidFrom: fleetDay(-fleetDays - 30), Pacing: config.PacingRun, CM3Per100h: 2.5}
		if i%3 == 2 {
			p.Plan.PulsesPer100h = 100
			set = config.Setting{ValidFrom: set.ValidFrom, Pacing: config.PacingPulse, CM3PerPulse: 0.025}
		}
		s.Points = append(s.Points, p)
		s.Dispensers = append(s.Dispensers, config.Dispenser{ID: fmt.Sprintf("dispenser-%06d", i), Model: "m", Point: point, Settings: []config.Setting{set}, Every: 24 * time.Hour,
			Channels: []config.ChannelInfo{{Kind: "level", Evidence: config.EvidenceMeasured, StepPercent: 2}}})
	}
	require.NoError(b, s.Reindex())
	return s
}

// fleetDay is a date so many days after the fleet's end.
func fleetDay(n int) civil.Date { return civil.Of(fleetEnd, time.UTC) + civil.Date(n) }

// makeFleetJournal writes readings in bulk and has the days derived from them as
// ever. Readings come once a day, hourly on the days that a forecast cuts: the
// first and the last of a fill. All of 180 days by the hour would make a file of
// tens of gigabytes and change nothing in what a pass reads.
func makeFleetJournal(b *testing.B, site *config.Site, path string) {
	b.Helper()
	ctx := context.Background()
	j, err := journal.Open(ctx, path, journal.Options{})
	require.NoError(b, err)
	var batch journal.Batch
	commit := func(least int) {
		if len(batch) < least {
			return
		}
		_, err := j.Commit(ctx, batch)
		require.NoError(b, err)
		batch = batch[:0]
	}
	add := func(device string, q reading.Quantity, at time.Time, v float64) {
		r := reading.Reading{Channel: reading.Channel{Device: device, Quantity: q}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: v}
		if q.Exact() {
			r.Count = int64(v)
			r.Value = float64(r.Count)
		}
		batch = append(batch, journal.Entry{Readings: []reading.Reading{r}})
	}
	start := fleetEnd.AddDate(0, 0, -fleetDays).Truncate(time.Hour)
	machines := map[string]bool{} // whose hours are written
	for i := range site.Points {
		pt := &site.Points[i]
		device := site.DispenserAt(pt.ID).ID
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		use := rand.New(rand.NewPCG(8, uint64(i / *fleetShared))) // the machine's, the same for all its points
		jitter := time.Duration(rng.IntN(3600)) * time.Second
		commissioned := start.Add(12 * time.Hour).Add(jitter)
		changed := fleetEnd.AddDate(0, 0, -20-rng.IntN(80)).Add(-3 * time.Hour).Add(jitter)
		volume, accepted := 125.0, true
		batch = append(batch, journal.Entry{Person: true, Facts: []reading.Fact{
			{ID: "commission " + pt.ID, Kind: reading.FactCommission, Point: pt.ID, Device: device, At: commissioned, Received: commissioned, Accepted: &accepted, VolumeCM3: &volume, By: "technician 1"},
			{ID: "change " + pt.ID, Kind: reading.FactChange, Point: pt.ID, At: changed, Received: changed, VolumeCM3: &volume, By: "technician 1"},
		}})
		again := machines[pt.Machine]
		machines[pt.Machine] = true
		hours, pulses, left := 1000*use.Float64(), 0.0, 125.0
		perDay, week := 6+12*use.Float64(), 0.2+0.6*use.Float64()
		factor := 0.95 + 0.1*rng.Float64()
		for day := range fleetDays + 1 {
			morning := start.AddDate(0, 0, day)
			ran := perDay * (0.7 + 0.6*use.Float64())
			if w := morning.Weekday(); w == time.Saturday || w == time.Sunday {
				ran *= week
			}
			ran = min(ran, 24)
			steps := 1
			for _, cut := range []time.Time{commissioned, changed, fleetEnd.AddDate(0, 0, -28), fleetEnd} {
				if d := cut.Sub(morning); d > -48*time.Hour && d < 48*time.Hour {
					steps = 24
				}
			}
			for k := range steps {
				at := morning.Add(time.Duration(k) * 24 * time.Hour / time.Duration(steps)).Add(jitter)
				if at.After(fleetEnd) {
					break
				}
				hours += ran / float64(steps)
				if !again {
					add(pt.Machine, reading.RunHours, at, hours)
				}
				switch i % 3 {
				case 1:
					left -= factor * 0.025 * ran / float64(steps)
					if !at.Before(changed) && left < 125 && at.Sub(changed) < 24*time.Hour/time.Duration(steps) {
						left = 125
					}
					if k == 0 {
						add(device, reading.LevelPercent, at, 2*float64(int(left/2.5)))
					}
				case 2:
					pulses += ran / float64(steps)
					add(device, reading.PulseCount, at, pulses)
				}
			}
		}
		commit(20_000)
	}
	commit(1)
	require.NoError(b, j.Close())
	serveFleet(b, site, path)
}

// servedPasses are enough for all that is kept of a large fleet: a pass keeps as
// much as is written meanwhile.
const servedPasses = 3

// serveFleet has the days of a journal derived and goes through the fleet some
// times, as a running program does all the time: what it had to fold for days
// that are cut is saved, and what it made of whole ones.
func serveFleet(b *testing.B, site *config.Site, path string) {
	b.Helper()
	ctx := context.Background()
	j, err := journal.Open(ctx, path, journal.Options{})
	require.NoError(b, err)
	in := collector.NewIntake(func() *config.Site { return site }, j, health.New(nil), nil)
	history := collector.NewHistory(j, func() *config.Site { return site })
	history.Mends(in)
	end := running(b, in)
	require.NoError(b, in.Flush(ctx))
	for range servedPasses {
		_, err = forecast.Pass(ctx, site, history, fleetEnd, forecast.Options{})
		require.NoError(b, err)
		require.NoError(b, in.Flush(ctx))
	}
	end()
	require.NoError(b, j.Close())
	runtime.GC()
}

// usedCPU gives the time that this process has computed for, 0 where the system
// does not tell as Linux does: unlike the time on the clock it says the same on
// a machine that others use.
func usedCPU(b *testing.B) time.Duration {
	b.Helper()
	text, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		return 0
	}
	// From the third field on, after the name in brackets; utime and stime are
	// the 14th and 15th, in hundredths of a second (Linux, man proc_pid_stat).
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	var user, system int64
	_, err = fmt.Sscan(fields[11]+" "+fields[12], &user, &system)
	require.NoError(b, err)
	return time.Duration(user+system) * 10 * time.Millisecond
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
