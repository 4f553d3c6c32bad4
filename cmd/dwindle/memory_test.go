package main

import (
	"bufio"
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
	"dwindle/config"
)

var (
	memoryDispensers = flag.Int("dispensers", 5000, "dispensers of BenchmarkMemory")
	memoryFor        = flag.Duration("steady", time.Minute, "how long BenchmarkMemory sends at its steady rate")
)

// BenchmarkMemory runs the program itself, as it is shipped, at one site: each
// dispenser reports once a minute, spread, through the embedded broker; at the
// end all that a broker kept over five minutes comes at once. It reports what
// is resident after the start, in the steady state, and at the highest.
func BenchmarkMemory(b *testing.B) {
	if _, err := os.Stat("/proc/self/status"); err != nil {
		b.Skip("needs Linux: resident memory is read from /proc")
	}
	n := *memoryDispensers
	program := filepath.Join(b.TempDir(), "dwindle")
	out, err := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, ".").CombinedOutput()
	require.NoError(b, err, "%s", out)
	addr := freeAddr(b)
	file := hundredTo(b, n, addr)
	site, err := config.Load(file)
	require.NoError(b, err)
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
	began := time.Now().Add(-24 * time.Hour)
	send := func() paho.Token {
		d, round := sent%n+1, sent/n
		sent++
		at := began.Add(time.Duration(round)*time.Minute + time.Duration(d)*time.Millisecond).UTC().Format(time.RFC3339Nano)
		return client.Publish(fmt.Sprintf("lube/v1/quay/d-%d/pulse", d), 1, false, fmt.Sprintf(`{"count":%d,"at":%q}`, 1000+round/480, at))
	}
	// A site that has been heard before: one that was not has an alarm for each
	// device.
	_, stop := start()
	var last paho.Token
	for range 2 * n {
		last = send()
	}
	require.True(b, last.WaitTimeout(2*time.Minute))
	stop()
	cmd, stop := start()
	defer stop()
	for b.Loop() {
		started := resident(b, cmd.Process.Pid, "VmRSS")
		tick := time.NewTicker(time.Minute / time.Duration(n))
		var steady, samples float64
		for until := time.Now().Add(*memoryFor); time.Now().Before(until); <-tick.C {
			send()
			if sent%1000 == 0 {
				steady, samples = steady+resident(b, cmd.Process.Pid, "VmRSS"), samples+1
			}
		}
		tick.Stop()
		peak := resident(b, cmd.Process.Pid, "VmHWM")
		for range 5 * n {
			last = send()
		}
		require.True(b, last.WaitTimeout(2*time.Minute))
		time.Sleep(5 * time.Second) // the pass that follows
		b.ReportMetric(started, "MB-start")
		b.ReportMetric(steady/max(samples, 1), "MB-steady")
		b.ReportMetric(peak, "MB-peak")
		b.ReportMetric(resident(b, cmd.Process.Pid, "VmHWM"), "MB-peak-burst")
	}
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
func hundredTo(b *testing.B, n int, addr string) (file string) {
	b.Helper()
	small, err := os.ReadFile(quay(b, 1, "  embedded_broker: {listen: \""+addr+"\"}\n"))
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
		fmt.Fprintf(&text, "  - {id: p-%d, name: Bearing %d, machine: be-%d, lubricant: ep2, reservoir: r125, plan: {dose_cm3_per_day: 0.3, pulses_per_day: 3}}\n", i, i, (i-1)/100)
	}
	text.WriteString("dispensers:\n")
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&text, "  - {id: d-%d, serial: S%d, model: pulser, point: p-%d, every: 1h, settings: [{valid_from: 2026-01-01, pacing: pulse, cm3_per_pulse: 0.1}]}\n", i, i, i)
	}
	text.WriteString("connections:\n" + tail)
	file = filepath.Join(b.TempDir(), "site.yaml")
	require.NoError(b, os.WriteFile(file, []byte(text.String()), 0o600))
	return file
}
