package collector

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// long runs the fault tests in their long form.
var long = flag.Bool("long", false, "run the fault tests many more times")

// rounds is how often a fault test goes round.
func rounds(short, many int) int {
	if *long {
		return many
	}
	return short
}

func TestMain(m *testing.M) {
	if path := os.Getenv(crashJournal); path != "" {
		crashChild(path)
		return
	}
	if path := os.Getenv(stepJournal); path != "" {
		stepChild(path, os.Getenv(stepJournal+"_STEP"))
		return
	}
	// Each check of the order of arrival fills two journals on a real disk; 25
	// of them find what 100 do within the time that a test run has. More with
	// -rapid.checks.
	if f := flag.Lookup("rapid.checks"); f != nil {
		if err := f.Value.Set("25"); err != nil {
			panic(err)
		}
	}
	goleak.VerifyTestMain(m)
}

// t0 is a Monday, 07:00 in Vienna.
var t0 = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// terminal is a small grain terminal.
func terminal(t testing.TB, machines, dispensers int) *config.Site {
	t.Helper()
	s, err := plant(machines, dispensers)
	require.NoError(t, err)
	return s
}

// plant is terminal for a process that is no test.
func plant(machines, dispensers int) (*config.Site, error) {
	s := &config.Site{
		ID: "terminal", Zone: "Europe/Vienna", Areas: []config.Area{{ID: "intake"}},
		Reservoirs: []config.Reservoir{{ID: "r120", NominalCM3: 125, UsableCM3: 120, TareG: 80}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Models:     []config.DispenserModel{{ID: "m", CM3PerStroke: 0.5}},
		Gateways:   []config.Gateway{{ID: "gw-1"}},
	}
	for i := range machines {
		s.Machines = append(s.Machines, config.Machine{ID: fmt.Sprintf("elevator-%d", i+1), Area: "intake"})
	}
	for i := range dispensers {
		p := fmt.Sprintf("p-%d", i+1)
		s.Points = append(s.Points, config.Point{ID: p, Machine: "elevator-1", Lubricant: "grease", Reservoir: "r120"})
		s.Dispensers = append(s.Dispensers, config.Dispenser{ID: fmt.Sprintf("d-%d", i+1), Model: "m", Point: p})
	}
	return s, s.Reindex()
}

// house is a journal with a running intake.
type house struct {
	*Intake
	h      *History
	j      *journal.Journal
	site   atomic.Pointer[config.Site]
	checks *health.Checks
	path   string
	stop   func() error
}

func start(t testing.TB, site *config.Site) *house {
	t.Helper()
	return startAt(t, site, filepath.Join(t.TempDir(), "journal.db"))
}

func startAt(t testing.TB, site *config.Site, path string) *house {
	t.Helper()
	return startWith(t, site, path, nil)
}

// startWith also takes a log, and what is to be done before the intake runs.
func startWith(t testing.TB, site *config.Site, path string, log *slog.Logger, before ...func(*Intake)) *house {
	t.Helper()
	x := &house{path: path, checks: health.New(nil)}
	x.site.Store(site)
	var err error
	x.j, err = journal.Open(context.Background(), path, journal.Options{Health: x.checks, RawBytes: 64 << 20})
	require.NoError(t, err)
	x.Intake = NewIntake(x.site.Load, x.j, x.checks, log)
	for _, do := range before {
		do(x.Intake)
	}
	x.h = NewHistory(x.j, x.site.Load)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- x.Run(ctx) }()
	var once sync.Once
	x.stop = func() (err error) {
		once.Do(func() {
			cancel()
			if e := <-ended; e != context.Canceled {
				err = e
			}
			if e := x.j.Close(); err == nil {
				err = e
			}
		})
		return err
	}
	t.Cleanup(func() { require.NoError(t, x.stop()) })
	return x
}

func message(device, kind string, received time.Time, payload string, args ...any) reading.Message {
	return reading.Message{Topic: "lube/v1/terminal/" + device + "/" + kind, Payload: fmt.Appendf(nil, payload, args...), Received: received}
}

func (x *house) submit(t testing.TB, ms ...reading.Message) {
	t.Helper()
	for _, m := range ms {
		require.NoError(t, x.Submit(context.Background(), m))
	}
}

func (x *house) flush(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(t, x.Flush(ctx))
}

// settle returns when all that was submitted is committed, derived or not.
func (x *house) settle(t testing.TB) {
	t.Helper()
	done := make(chan error, 1)
	require.NoError(t, x.put(context.Background(), item{done: func(err error) { done <- err }}))
	require.NoError(t, <-done)
}

func (x *house) days(t testing.TB, h *History, device string, kind reading.Kind, first, last string) []reading.Day {
	t.Helper()
	out, err := h.Days(context.Background(), device, kind, date(t, first), date(t, last))
	require.NoError(t, err)
	return out
}

func date(t testing.TB, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	require.NoError(t, err)
	return d
}

func at(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
