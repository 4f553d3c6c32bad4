package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/config"
)

// runAsProgram makes this test binary be dwindle, so that tests start the real
// program as a process of its own, with the race detector when they have it.
const runAsProgram = "DWINDLE_TEST_RUN"

// long runs the fault tests in their long form.
var long = flag.Bool("long", false, "run the fault tests many more times")

func TestMain(m *testing.M) {
	if os.Getenv(runAsProgram) != "" {
		program()
	}
	testscript.Main(m, map[string]func(){"dwindle": program})
}

// program is what main does.
func program() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// TestScripts runs the program as people type it: each file under testdata is
// a story with its files and what must be printed.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata", Setup: func(env *testscript.Env) error {
		env.Setenv("USER", "tester")
		return nil
	}})
}

// command prepares the program as a process.
func command(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), runAsProgram+"=1")
	return cmd
}

// dwindle runs the program to its end.
func dwindle(t testing.TB, args ...string) (out, errOut string, code int) {
	t.Helper()
	cmd := command(t, args...)
	var o, e bytes.Buffer
	cmd.Stdout, cmd.Stderr = &o, &e
	err := cmd.Run()
	if err != nil {
		var exit *exec.ExitError
		require.ErrorAs(t, err, &exit)
	}
	return o.String(), e.String(), cmd.ProcessState.ExitCode()
}

// must runs the program and wants status 0.
func must(t testing.TB, args ...string) string {
	t.Helper()
	out, errOut, code := dwindle(t, args...)
	require.Zero(t, code, "dwindle %s:\n%s%s", strings.Join(args, " "), out, errOut)
	return out
}

// server is a serving process.
type server struct {
	t    testing.TB
	cmd  *exec.Cmd
	site *config.Site
	log  *safeBuffer
	done chan error
}

// safeBuffer is a buffer that a process writes while a test reads.
type safeBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *safeBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *safeBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// serve starts the program on a site file and waits until it answers.
func serve(t testing.TB, file string) *server {
	t.Helper()
	site, err := config.Load(file)
	require.NoError(t, err)
	s := &server{t: t, site: site, log: &safeBuffer{}, cmd: command(t, "serve", "-c", file), done: make(chan error, 1)}
	s.cmd.Stderr = s.log
	require.NoError(t, s.cmd.Start())
	go func() { s.done <- s.cmd.Wait() }()
	t.Cleanup(func() { s.kill() })
	deadline := time.Now().Add(60 * time.Second)
	for !station.Serving(t.Context(), site) {
		select {
		case err := <-s.done:
			s.done <- err
			require.FailNow(t, "serve ended at once", "%v\n%s", err, s.log)
		case <-time.After(20 * time.Millisecond):
		}
		require.True(t, time.Now().Before(deadline), "serve did not come up:\n%s", s.log)
	}
	return s
}

// kill ends the process as a power cut would, and waits for its end.
func (s *server) kill() {
	_ = s.cmd.Process.Signal(syscall.SIGKILL)
	<-s.done
	s.done <- nil
}

// stop ends the process as an operator would, and wants a clean end.
func (s *server) stop() {
	s.t.Helper()
	require.NoError(s.t, s.cmd.Process.Signal(syscall.SIGTERM))
	select {
	case err := <-s.done:
		s.done <- nil
		require.NoError(s.t, err, "%s", s.log)
	case <-time.After(60 * time.Second):
		require.FailNow(s.t, "serve did not stop", "%s", s.log)
	}
}

// freeAddr gives a loopback address that nobody listens on.
func freeAddr(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// quay is a small site file: n machines with one point each, odd ones
// run-paced, even ones pulse-paced. connections is YAML under that key.
func quay(t testing.TB, n int, connections string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString(`site: quay
name: Riverside grain terminal
zone: CET
data: data
areas:
  - {id: intake, name: Ship intake}
lubricants:
  - {id: ep2, name: Lithium complex EP 2, designation: KP2K-20, density_g_per_cm3: 0.9}
reservoirs:
  - {id: r125, item: "R 125", nominal_cm3: 125, usable_cm3: 120, tare_g: 60}
dispenser_models:
  - id: runner
    pacing: [run]
    run_steps_cm3_per_100h: [1, 2, 2.5, 4, 8]
    cm3_per_stroke: 0.1
  - id: pulser
    pacing: [pulse]
    pulse_steps_cm3: [0.1, 0.2, 0.5]
    cm3_per_stroke: 0.1
calendar:
  rounds:
    - {id: weekly, name: Weekly round, areas: [intake], first: 2026-01-05, every_weeks: 2}
machines:
`)
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&b, "  - {id: be-%02d, name: Bucket elevator %d, area: intake, criticality: B, every: 1h}\n", i, i)
	}
	b.WriteString("points:\n")
	for i := 1; i <= n; i++ {
		plan := "dose_cm3_per_100h: 2, hours_per_week: 80"
		if i%2 == 0 {
			plan += ", pulses_per_100h: 20"
		}
		fmt.Fprintf(&b, "  - {id: be-%02d-head, name: Head bearing, machine: be-%02d, lubricant: ep2, reservoir: r125, plan: {%s}}\n", i, i, plan)
	}
	b.WriteString("dispensers:\n")
	for i := 1; i <= n; i++ {
		model, setting := "runner", "pacing: run, cm3_per_100h: 2"
		if i%2 == 0 {
			model, setting = "pulser", "pacing: pulse, cm3_per_pulse: 0.1"
		}
		fmt.Fprintf(&b, `  - id: d-%02d
    serial: S%03d
    model: %s
    point: be-%02d-head
    every: 1h
    settings: [{valid_from: 2026-01-01, %s}]
    channels: [{kind: level, evidence: measured, step_percent: 2}]
`, i, i, model, i, setting)
	}
	b.WriteString("connections:\n")
	b.WriteString(connections)
	file := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	return file
}
