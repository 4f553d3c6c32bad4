package faulttest

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/mqtt"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// long runs the tests with faults that last as long as such faults do.
var long = flag.Bool("long", false, "run the fault tests many more times")

// rounds is how often a fault test goes round.
func rounds(short, many int) int {
	if *long {
		return many
	}
	return short
}

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// t0 is when the devices begin to count. They are about on time: devices that
// agree on another time are believed where no time service keeps the machine's
// clock.
var t0 = time.Now().UTC().Truncate(time.Second)

// pace is a device's time between two counts, and slowPace one at which a count
// is believed that goes on after a gap.
const (
	pace     = time.Millisecond
	slowPace = 100 * time.Millisecond
)

func at(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// house is a journal with a running intake.
type house struct {
	*collector.Intake
	h      *collector.History
	j      *journal.Journal
	checks *health.Checks
}

// start opens the journal of a small grain terminal with a dispenser for each
// sender.
func start(t *testing.T) *house {
	t.Helper()
	s := &config.Site{
		ID: "terminal", Zone: "Europe/Vienna", Areas: []config.Area{{ID: "intake"}},
		Machines:   []config.Machine{{ID: "elevator-1", Area: "intake"}},
		Reservoirs: []config.Reservoir{{ID: "r120", NominalCM3: 125, UsableCM3: 120}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Models:     []config.DispenserModel{{ID: "m", CM3PerStroke: 0.5}},
	}
	for i := range senders {
		p := fmt.Sprintf("p-%d", i+1)
		s.Points = append(s.Points, config.Point{ID: p, Machine: "elevator-1", Lubricant: "grease", Reservoir: "r120"})
		s.Dispensers = append(s.Dispensers, config.Dispenser{ID: fmt.Sprintf("d-%d", i+1), Model: "m", Point: p})
	}
	require.NoError(t, s.Reindex())
	site := func() *config.Site { return s }
	x := &house{checks: health.New(nil)}
	j, err := journal.Open(context.Background(), filepath.Join(t.TempDir(), "journal.db"), journal.Options{Health: x.checks})
	require.NoError(t, err)
	x.j = j
	x.Intake, x.h = collector.NewIntake(site, j, x.checks, nil), collector.NewHistory(j, site)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- x.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.ErrorIs(t, <-ended, context.Canceled)
		require.NoError(t, j.Close())
	})
	return x
}

func (x *house) flush(t *testing.T) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(t, x.Flush(ctx))
}

// pulses are those of a sender in all, which may begin just before midnight.
func (x *house) pulses(t *testing.T, sender int) (sum float64) {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	days, err := x.h.Days(context.Background(), fmt.Sprintf("d-%d", sender+1), reading.Pulse, civil.Of(t0, zone), civil.Of(t0.Add(time.Hour), zone))
	require.NoError(t, err)
	for _, d := range days {
		sum += d.Amount
	}
	return sum
}

const (
	senders      = 4
	senderWindow = 20 // unacknowledged messages of each
	below        = "lube/v1/terminal"
)

// traffic is what senders send: each is a dispenser that counts pulses, one a
// millisecond of its own time.
type traffic struct {
	first int                   // count of the first message
	next  [senders]atomic.Int64 // count that each will send next
	sent  brokertest.Sent
	err   error
	done  chan struct{}
}

// send starts to send n messages in all, a message of each sender every so
// often, by the counts from first on.
func send(t *testing.T, addr string, first, n int, every time.Duration, pace time.Duration) *traffic {
	t.Helper()
	s := &traffic{first: first, done: make(chan struct{})}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	go func() {
		defer close(s.done)
		defer cancel()
		s.sent, s.err = brokertest.Load(ctx, brokertest.LoadOptions{
			Addr: addr, Publishers: senders, Messages: n, Window: senderWindow, Every: every,
			Topic: func(p, _ int) string { return fmt.Sprintf("%s/d-%d/pulse", below, p+1) },
			Payload: func(p, i int) []byte {
				count := first + i
				s.next[p].Store(int64(count) + 1)
				return fmt.Appendf(nil, `{"count":%d,"at":%q,"pad":%q}`, count, at(t0.Add(time.Duration(count)*pace)), strings.Repeat("x", 100))
			},
		})
	}()
	t.Cleanup(func() { cancel(); <-s.done })
	return s
}

// wait returns when all is acknowledged.
func (s *traffic) wait(t *testing.T) *traffic {
	t.Helper()
	<-s.done
	require.NoError(t, s.err)
	return s
}

// all sends messages as fast as they are acknowledged.
func all(t *testing.T, addr string, first, n int) *traffic {
	t.Helper()
	return send(t, addr, first, n, 0, pace).wait(t)
}

// slowly is all at slowPace.
func slowly(t *testing.T, addr string, first, n int) *traffic {
	t.Helper()
	return send(t, addr, first, n, 0, slowPace).wait(t)
}

// counts are those that the journal has of each sender.
func (x *house) counts(t *testing.T) [senders]map[int64]bool {
	t.Helper()
	var out [senders]map[int64]bool
	for p := range out {
		out[p] = map[int64]bool{}
		require.NoError(t, x.h.Readings(context.Background(), []string{fmt.Sprintf("d-%d", p+1)}, t0.Add(-time.Second), t0.Add(30*24*time.Hour), func(r reading.Reading) error {
			out[p][r.Count] = true
			return nil
		}))
	}
	return out
}

// missing are the counts of each sender that were acknowledged to it and are
// not in the journal.
func (x *house) missing(t *testing.T, all ...*traffic) (out [senders][]int64) {
	t.Helper()
	have := x.counts(t)
	for _, s := range all {
		for p, acked := range s.sent.Acked {
			for i, ok := range acked {
				if count := int64(s.first + i); ok && !have[p][count] {
					out[p] = append(out[p], count)
				}
			}
		}
	}
	return out
}

func none(lost [senders][]int64) bool {
	for _, l := range lost {
		if len(l) > 0 {
			return false
		}
	}
	return true
}

// gets waits until all that was acknowledged is in the journal.
func (x *house) gets(t *testing.T, all ...*traffic) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		lost := x.missing(t, all...)
		if none(lost) {
			return
		}
		require.True(t, time.Now().Before(deadline), "acknowledged and not stored: %v", lost)
		time.Sleep(20 * time.Millisecond)
	}
}

// reader is a client that stores what it receives.
type reader struct {
	*mqtt.Client
	stop func()
	log  *lines
}

// lines collects a log.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// subscribes starts a client of a broker. Its times are short unless the test is
// long.
func (x *house) subscribes(t *testing.T, addr, dir string, change ...func(*mqtt.ClientOptions)) *reader {
	t.Helper()
	r := &reader{log: &lines{}}
	x.checks.Drop("broker subscription") // of a client before
	opt := mqtt.ClientOptions{
		Name: "broker", Broker: config.Broker{URL: "tcp://" + addr}, Filters: []string{below + "/#"}, ProbeBelow: below,
		StateDir: dir, Sink: x.Submit, Health: x.checks, Log: slog.New(slog.NewTextHandler(r.log, nil)),
		KeepAlive: 2 * time.Second, PingTimeout: 2 * time.Second, LongestWait: 200 * time.Millisecond,
	}
	for _, do := range change {
		do(&opt)
	}
	var err error
	r.Client, err = mqtt.NewClient(opt)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	r.stop = sync.OnceFunc(func() { cancel(); require.NoError(t, <-ended) })
	t.Cleanup(r.stop)
	x.until(t, "broker subscription", health.Ok)
	return r
}

func (x *house) report(name string) health.Check {
	for _, c := range x.checks.List() {
		if c.Name == name {
			return c
		}
	}
	return health.Check{Name: name, Level: -1}
}

func (x *house) until(t *testing.T, name string, level health.Level) health.Check {
	t.Helper()
	require.Eventually(t, func() bool { return x.report(name).Level == level }, 2*time.Minute, 5*time.Millisecond, "%s is not %s: %v", name, level, x.checks.List())
	return x.report(name)
}
