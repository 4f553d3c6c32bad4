package main

import (
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast/export"
)

var (
	exportRows = flag.Int("rows", 200_000, "readings that BenchmarkExportReadings exports")
	exportSite = flag.String("export-site", "", "keep that benchmark's site in this directory, and use it if it is there; default a new one each time")
)

// exportChannels are the channels of each pair of a machine and its dispenser in
// the benchmark's site.
var exportChannels = []struct {
	machine  bool
	quantity reading.Quantity
	every    time.Duration
}{
	{true, reading.RunHours, 5 * time.Minute},
	{true, reading.RunRunning, 20 * time.Minute},
	{false, reading.PulseCount, 10 * time.Minute},
	{false, reading.LevelPercent, time.Hour},
	{false, reading.StatusTempC, 15 * time.Minute},
}

// BenchmarkExportReadings exports all readings of a site by the program itself,
// as it is run, in each format, and reports rows a second, the most memory that
// was resident, and the size of a row in the file. Before that the same rows are
// read and not written at all, and written by encoding/csv as one would at
// first; "of-encoding/csv" is how many times as fast as that a format is, by
// processor time, which other work on the machine disturbs least.
func BenchmarkExportReadings(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("needs Linux: resident memory is told in other units elsewhere")
	}
	dir := *exportSite
	if dir == "" {
		dir = b.TempDir()
	}
	file := filepath.Join(dir, "site.yaml")
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		part := dir + ".part" // under another name until it is whole
		makeExportSite(b, part, *exportRows)
		if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
			require.NoError(b, err)
		}
		require.NoError(b, os.Rename(part, dir))
	}
	// An older program may have made the journal: to write brings it up to date.
	loaded, err := config.Load(file)
	require.NoError(b, err)
	j, err := journal.Open(b.Context(), filepath.Join(loaded.DataDir(), "journal.db"), journal.Options{})
	require.NoError(b, err)
	require.NoError(b, j.Close())
	b.Run("read-only", func(b *testing.B) {
		for b.Loop() {
			rows := 0
			eachReading(b, file, func(export.Reading) error { rows++; return nil })
			require.Equal(b, *exportRows, rows, "of another number of readings; remove %s", dir)
		}
		b.ReportMetric(float64(b.N**exportRows)/b.Elapsed().Seconds(), "rows/s")
	})
	var plain time.Duration // of a row by encoding/csv
	b.Run("encoding-csv", func(b *testing.B) {
		before := ownCPU(b)
		for b.Loop() {
			plainCSV(b, file, filepath.Join(b.TempDir(), "out"))
		}
		plain = (ownCPU(b) - before) / time.Duration(b.N)
		b.ReportMetric(float64(b.N**exportRows)/b.Elapsed().Seconds(), "rows/s")
		b.ReportMetric(float64(plain.Nanoseconds())/float64(*exportRows), "cpu-ns/row")
	})
	for _, format := range []string{"csv", "jsonl", "parquet"} {
		b.Run(format, func(b *testing.B) {
			out := filepath.Join(b.TempDir(), "out")
			var used time.Duration
			peak, size := 0.0, int64(0)
			for b.Loop() {
				cmd := exec.Command(os.Args[0], "export", "-c", file, "readings", "--format", format, "-o", out)
				cmd.Env = append(os.Environ(), runAsProgram+"=1")
				cmd.Stderr = os.Stderr
				require.NoError(b, cmd.Start())
				most := watched(cmd.Process.Pid)
				require.NoError(b, cmd.Wait())
				used += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
				peak = max(peak, most())
				info, err := os.Stat(out)
				require.NoError(b, err)
				size = info.Size()
				require.NoError(b, os.Remove(out))
			}
			each := used / time.Duration(b.N)
			b.ReportMetric(float64(b.N**exportRows)/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(float64(each.Nanoseconds())/float64(*exportRows), "cpu-ns/row")
			b.ReportMetric(peak, "peak-MB")
			b.ReportMetric(float64(size)/float64(*exportRows), "bytes/row")
			b.ReportMetric(plain.Seconds()/each.Seconds(), "of-encoding/csv")
		})
	}
}

// watched looks at the most that was ever resident of a process until it ends.
// What the kernel tells of a process that has ended counts its parent's memory
// at the start as well.
func watched(pid int) (mostMB func() float64) {
	most := make(chan float64)
	stop := make(chan struct{})
	go func() {
		peak := 0.0
		for {
			if text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid)); err == nil {
				if _, rest, ok := strings.Cut(string(text), "VmHWM:"); ok {
					var kb float64
					if _, err := fmt.Sscan(rest, &kb); err == nil {
						peak = kb * 1024 / 1e6
					}
				}
			}
			select {
			case <-stop:
				most <- peak
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() float64 { close(stop); return <-most }
}

// makeExportSite makes a site and a journal of so many readings.
func makeExportSite(b *testing.B, dir string, rows int) {
	b.Helper()
	const pairs = 100
	require.NoError(b, os.RemoveAll(dir))
	require.NoError(b, os.MkdirAll(filepath.Join(dir, "data"), 0o755))
	small, err := os.ReadFile(quay(b, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n"))
	require.NoError(b, err)
	head, _, ok := strings.Cut(string(small), "machines:\n")
	require.True(b, ok)
	_, tail, ok := strings.Cut(string(small), "connections:\n")
	require.True(b, ok)
	var machines, points, dispensers strings.Builder
	for i := range pairs {
		fmt.Fprintf(&machines, "  - {id: belt-%03d, name: Belt conveyor %d, area: intake}\n", i, i)
		fmt.Fprintf(&points, "  - {id: belt-%03d-head, name: Head bearing %d, machine: belt-%03d, lubricant: ep2, reservoir: r125, plan: {dose_cm3_per_100h: 2, hours_per_week: 80, pulses_per_100h: 10}}\n", i, i, i)
		fmt.Fprintf(&dispensers, "  - {id: disp-%03d, serial: S%d, model: pulser, point: belt-%03d-head, every: 1h, settings: [{valid_from: 2024-01-01, pacing: pulse, cm3_per_pulse: 0.2}]}\n", i, i, i)
	}
	site := head + "machines:\n" + machines.String() + "points:\n" + points.String() + "dispensers:\n" + dispensers.String() + "connections:\n" + tail
	require.NoError(b, os.WriteFile(filepath.Join(dir, "site.yaml"), []byte(site), 0o600))
	loaded, err := config.Load(filepath.Join(dir, "site.yaml"))
	require.NoError(b, err)
	j, err := journal.Open(b.Context(), filepath.Join(loaded.DataDir(), "journal.db"), journal.Options{})
	require.NoError(b, err)
	var perHour float64
	for _, c := range exportChannels {
		perHour += float64(time.Hour) / float64(c.every)
	}
	made := 0
	var batch journal.Batch
	for i := range pairs {
		of := rows/pairs + map[bool]int{true: rows % pairs}[i == 0]
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
		next := make([]time.Time, len(exportChannels))
		for k := range next {
			next[k] = at.Add(time.Duration(rng.IntN(3600_000)) * time.Millisecond)
		}
		hours, pulses, level, temperature := 5000*rng.Float64(), int64(rng.IntN(100_000)), 100.0, 20.0
		for range of {
			k := 0
			for n := range next {
				if next[n].Before(next[k]) {
					k = n
				}
			}
			c := exportChannels[k]
			r := reading.Reading{Channel: reading.Channel{Device: fmt.Sprintf("disp-%03d", i), Quantity: c.quantity}, At: next[k], FromDevice: true}
			if c.machine {
				r.Device = fmt.Sprintf("belt-%03d", i)
			}
			r.Received = r.At.Add(time.Duration(50+rng.IntN(2000)) * time.Millisecond)
			next[k] = next[k].Add(c.every + time.Duration(rng.IntN(400)-200)*time.Millisecond)
			switch c.quantity {
			case reading.RunHours:
				hours += math.Round(c.every.Hours()*rng.Float64()*1000) / 1000
				r.Value = math.Round(hours*1000) / 1000
			case reading.RunRunning:
				r.Value = float64(rng.IntN(2))
			case reading.PulseCount:
				pulses += int64(rng.IntN(2))
				r.Count, r.Value = pulses, float64(pulses)
			case reading.LevelPercent:
				if level -= 0.1 * rng.Float64(); level < 5 {
					level = 100
				}
				r.Value = math.Floor(level)
			default:
				temperature += rng.NormFloat64() * 0.2
				r.Value = math.Round(temperature*10) / 10
			}
			batch = append(batch, journal.Entry{Readings: []reading.Reading{r}})
			if len(batch) == 20_000 {
				_, err := j.Commit(b.Context(), batch)
				require.NoError(b, err)
				batch = batch[:0]
			}
			made++
		}
	}
	_, err = j.Commit(b.Context(), batch)
	require.NoError(b, err)
	require.Equal(b, rows, made)
	require.NoError(b, j.Close())
}

// eachReading reads all readings as the program does.
func eachReading(b *testing.B, file string, fn func(export.Reading) error) {
	site, err := config.Load(file)
	require.NoError(b, err)
	j, err := journal.OpenReader(b.Context(), filepath.Join(site.DataDir(), "journal.db"), journal.Options{})
	require.NoError(b, err)
	history := collector.NewHistory(j, func() *config.Site { return site })
	require.NoError(b, history.Readings(b.Context(), nil, time.Time{}, time.Now(), func(r reading.Reading) error { return fn(export.ReadingOf(r)) }))
	require.NoError(b, j.Close())
}

// plainCSV writes the readings as one would at first.
func plainCSV(b *testing.B, file, out string) {
	f, err := os.Create(out)
	require.NoError(b, err)
	w := csv.NewWriter(f)
	row := make([]string, 12)
	const layout = "2006-01-02T15:04:05.000Z07:00"
	eachReading(b, file, func(r export.Reading) error {
		row[0], row[1] = r.Device, r.Quantity
		row[2], row[3] = r.At.UTC().Format(layout), r.Received.UTC().Format(layout)
		row[4], row[5] = strconv.FormatBool(r.FromDevice), strconv.FormatFloat(r.Value, 'f', -1, 64)
		if row[6] = ""; r.Count != nil {
			row[6] = strconv.FormatInt(*r.Count, 10)
		}
		row[7], row[8], row[9], row[10], row[11] = r.Key, r.Flags, r.Point, r.Machine, r.Area
		return w.Write(row)
	})
	w.Flush()
	require.NoError(b, w.Error())
	require.NoError(b, f.Close())
	require.NoError(b, os.Remove(out))
}

// ownCPU is the processor time that this process has used.
func ownCPU(b *testing.B) time.Duration {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
