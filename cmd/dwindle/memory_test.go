package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

var (
	memoryDispensers = flag.Int("dispensers", 5000, "dispensers of BenchmarkMemory")
	memoryFor        = flag.Duration("steady", time.Minute, "how long BenchmarkMemory sends at its steady rate")
	memoryOutbox     = flag.Duration("outbox", 0, "for how long InfluxDB has been away before BenchmarkMemory, with a reading a minute of each dispenser; 0: there is none")
)

// memoryDays is how much is behind the benchmark's site.
const memoryDays = 40

// BenchmarkMemory runs the program itself, as it is shipped, at one site: each
// dispenser reports its counter once a minute, spread, through the embedded
// broker; at the end all that a broker kept over five minutes comes at once. It
// reports what is resident after the start, on average in the steady state,
// right after a start into it, and at the highest, with how much of it is the
// program's own file, which the kernel may take back.
//
// The plant is sound: 40 days of three pulses a day lie behind it, and nearly no
// point has an alarm. All dispensers report over one connection, as they do
// behind a gateway or another broker; connections of their own come on top.
//
// With -outbox the readings of that time wait for InfluxDB, which is away through
// all of the above; then it comes back, and all of it is sent. What answers is no
// InfluxDB but takes everything, as fast as it comes: of interest is this program.
func BenchmarkMemory(b *testing.B) {
	if _, err := os.Stat("/proc/self/status"); err != nil {
		b.Skip("needs Linux: resident memory is read from /proc")
	}
	n := *memoryDispensers
	program := filepath.Join(b.TempDir(), "dwindle")
	out, err := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, ".").CombinedOutput()
	require.NoError(b, err, "%s", out)
	addr := freeAddr(b)
	var away *absent
	more := ""
	if *memoryOutbox > 0 {
		away = newAbsent(b)
		more = away.stores(b)
	}
	file := hundredTo(b, n, addr, more)
	site, err := config.Load(file)
	require.NoError(b, err)
	pulses := lived(b, site, *memoryOutbox)
	var client paho.Client
	start := func() (cmd *exec.Cmd, stop func()) {
		cmd = exec.Command(program, "serve", "-c", file)
		var log safeBuffer
		cmd.Stderr = &log
		require.NoError(b, cmd.Start())
		for deadline := time.Now().Add(time.Minute); !station.Serving(b.Context(), site); time.Sleep(20 * time.Millisecond) {
			require.True(b, time.Now().Before(deadline), "did not come up:\n%s", &log)
		}
		client = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("plant"))
		token := client.Connect()
		require.True(b, token.WaitTimeout(30*time.Second))
		require.NoError(b, token.Error())
		return cmd, func() {
			client.Disconnect(100)
			_ = cmd.Process.Signal(syscall.SIGTERM)
			require.NoError(b, cmd.Wait(), "%s", &log)
		}
	}
	sent := 0
	send := func(at time.Time) paho.Token {
		d := sent%n + 1
		sent++
		return client.Publish(fmt.Sprintf("lube/v1/quay/d-%d/pulse", d), 1, false,
			fmt.Sprintf(`{"count":%d,"at":%q}`, pulses, at.UTC().Format(time.RFC3339Nano)))
	}
	all := func(minutes int) {
		var last paho.Token
		for i := range minutes {
			for range n {
				last = send(time.Now().Add(time.Duration(i-minutes) * time.Minute))
			}
		}
		require.True(b, last.WaitTimeout(2*time.Minute))
	}
	// A start before, so that the days are derived.
	_, stop := start()
	all(2)
	time.Sleep(5 * time.Second)
	stop()
	cmd, stop := start()
	defer stop()
	for b.Loop() {
		started := resident(b, cmd.Process.Pid, "VmRSS")
		tick := time.NewTicker(time.Minute / time.Duration(n))
		var steady, file, samples float64
		sampled := time.Now()
		for until := time.Now().Add(*memoryFor); time.Now().Before(until); <-tick.C {
			send(time.Now())
			if time.Since(sampled) > 100*time.Millisecond {
				sampled = time.Now()
				steady += resident(b, cmd.Process.Pid, "VmRSS")
				file += resident(b, cmd.Process.Pid, "RssFile")
				samples++
			}
		}
		tick.Stop()
		peak := resident(b, cmd.Process.Pid, "VmHWM")
		all(5)
		time.Sleep(5 * time.Second) // the pass that follows
		b.ReportMetric(started, "MB-start")
		b.ReportMetric(steady/max(samples, 1), "MB-steady")
		b.ReportMetric(file/max(samples, 1), "MB-steady-file")
		b.ReportMetric(peak, "MB-peak")
		b.ReportMetric(resident(b, cmd.Process.Pid, "VmHWM"), "MB-peak-burst")
		if away != nil {
			away.returns(b, site, cmd.Process.Pid)
		}
	}
	b.StopTimer()
	listed, err := exec.Command(program, "alarms", "-c", file, "--json").Output()
	require.NoError(b, err)
	var alarms []map[string]any
	require.NoError(b, json.Unmarshal(listed, &alarms))
	of := map[any]int{}
	for _, a := range alarms {
		of[a["type"]]++
	}
	b.Logf("alarms: %v", of)
	require.Less(b, len(alarms), max(20, n/50), "the plant is not sound: alarms take memory, too: %v", of)
}

// lived writes what is behind the site into its journal, the last of it minute by
// minute, and gives what the counters of all its dispensers show then.
func lived(b *testing.B, site *config.Site, minutely time.Duration) (pulses int64) {
	b.Helper()
	ctx := context.Background()
	require.NoError(b, os.MkdirAll(site.DataDir(), 0o700))
	j, err := journal.Open(ctx, filepath.Join(site.DataDir(), "journal.db"), journal.Options{})
	require.NoError(b, err)
	const each = 8 * time.Hour
	begun := time.Now().Add(-memoryDays * 24 * time.Hour).Truncate(time.Second)
	batch := journal.Batch{}
	volume, accepted := 120.0, true
	for i := range site.Dispensers {
		d := &site.Dispensers[i]
		at := begun.Add(time.Duration(i) * each / time.Duration(len(site.Dispensers)))
		pulses = 0
		batch = append(batch, journal.Entry{Person: true, Facts: []reading.Fact{
			{ID: "commission " + d.ID, Kind: reading.FactCommission, Point: d.Point, Device: d.ID, At: at, Received: at, Accepted: &accepted, VolumeCM3: &volume, By: "technician 1"},
			{ID: "change " + d.ID, Kind: reading.FactChange, Point: d.Point, At: at, Received: at, VolumeCM3: &volume, By: "technician 1"},
		}})
		step := each
		for next, end := at, time.Now().Add(-10*time.Minute); at.Before(end); at = at.Add(step) {
			if !at.Before(next) {
				pulses++
				next = next.Add(each)
			}
			if minutely > 0 && at.After(end.Add(-minutely)) {
				step = time.Minute
			}
			batch = append(batch, journal.Entry{Readings: []reading.Reading{{
				Channel: reading.Channel{Device: d.ID, Quantity: reading.PulseCount}, At: at, Received: at, FromDevice: true, Value: float64(pulses), Count: pulses,
			}}})
		}
		if len(batch) > 50_000 || i == len(site.Dispensers)-1 {
			_, err := j.Commit(ctx, batch)
			require.NoError(b, err)
			batch = batch[:0]
		}
	}
	require.NoError(b, j.Close())
	return memoryDays*24/8 + 1
}

// resident reads a line of a process's status, in MB (10^6 bytes).
func resident(b *testing.B, pid int, name string) float64 {
	b.Helper()
	f, err := os.Open(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), name+":"); ok {
			var kb float64
			_, err := fmt.Sscan(rest, &kb)
			require.NoError(b, err)
			return kb * 1024 / 1e6
		}
	}
	require.FailNow(b, "not told", name)
	return 0
}

// hundredTo is a site of n dispensers that are driven by pulses, a hundred to a
// machine.
func hundredTo(b *testing.B, n int, addr, more string) (file string) {
	b.Helper()
	small, err := os.ReadFile(quay(b, 1, "  embedded_broker: {listen: \""+addr+"\"}\n"+more))
	require.NoError(b, err)
	head, _, ok := strings.Cut(string(small), "machines:\n")
	require.True(b, ok)
	_, tail, ok := strings.Cut(string(small), "connections:\n")
	require.True(b, ok)
	var text strings.Builder
	text.WriteString(head + "machines:\n")
	for i := range (n + 99) / 100 {
		fmt.Fprintf(&text, "  - {id: be-%d, name: Bucket elevator %d, area: intake, run_signal: false}\n", i, i)
	}
	text.WriteString("points:\n")
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&text, "  - {id: p-%d, name: Bearing %d, machine: be-%d, lubricant: ep2, reservoir: r125, plan: {dose_cm3_per_day: 0.6, pulses_per_day: 3}}\n", i, i, (i-1)/100)
	}
	text.WriteString("dispensers:\n")
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&text, "  - {id: d-%d, serial: S%d, model: pulser, point: p-%d, every: 1h, settings: [{valid_from: 2026-01-01, pacing: pulse, cm3_per_pulse: 0.2}]}\n", i, i, i)
	}
	text.WriteString("connections:\n" + tail)
	file = filepath.Join(b.TempDir(), "site.yaml")
	require.NoError(b, os.WriteFile(file, []byte(text.String()), 0o600))
	return file
}
