package faulttest

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"log/slog"
	"path/filepath"
	"runtime"
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
	"dwindle/collector/mqtt/badnet"
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

func TestABrokerThatIsRestartedUnderTrafficLosesNothing(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	x := start(t)
	r := x.subscribes(t, broker.Addr, t.TempDir())
	n := rounds(3, 30)
	s := send(t, broker.Addr, 0, n*1600, time.Millisecond, pace)
	for range n {
		time.Sleep(400 * time.Millisecond)
		broker.Stop()
		time.Sleep(100 * time.Millisecond)
		broker.Again()
	}
	s.wait(t)
	x.gets(t, s)
	require.GreaterOrEqual(t, r.Stats().Connections, int64(2), "it was away at least once")
	require.Zero(t, r.Stats().SessionsLost)
	require.Equal(t, health.Ok, x.report("broker session").Level)
}

// What the recipe says (deploy/mosquitto.conf): the broker's file is a snapshot,
// and what came after the last one is gone when the broker is killed. Here
// dwindle is away, so that the broker alone has the messages.
func TestAKilledBrokerLosesWhatCameAfterItsLastSnapshotAndNoMore(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	x := start(t)
	dir := t.TempDir()
	r := x.subscribes(t, broker.Addr, dir)
	r.stop()

	before := slowly(t, broker.Addr, 0, 400)
	broker.Snapshot()
	after := slowly(t, broker.Addr, 1000, 400)
	broker.Kill()
	broker.Again()

	r = x.subscribes(t, broker.Addr, dir)
	x.gets(t, before)
	later := slowly(t, broker.Addr, 2000, 40)
	x.gets(t, before, later)
	lost := x.missing(t, after)
	for p := range lost {
		require.Len(t, lost[p], 100, "what was not in the snapshot is gone")
	}
	// The broker remembers the session, so nobody can see that something is
	// missing: devices that count on make up for it.
	require.Zero(t, r.Stats().SessionsLost)
	x.flush(t)
	for p := range senders {
		require.InDelta(t, 2009, x.pulses(t, p), 0, "from count 0 to 2009, the gap included")
	}
}

// While dwindle is there, the broker holds only what is on its way.
func TestABrokerKilledUnderTrafficLosesWhatWasOnItsWay(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	x := start(t)
	r := x.subscribes(t, broker.Addr, t.TempDir())
	broker.Snapshot() // holds the session
	n := rounds(2, 20)
	s := send(t, broker.Addr, 0, n*1600, time.Millisecond, pace)
	var kills [][senders]int64
	for range n {
		time.Sleep(500 * time.Millisecond)
		broker.Kill()
		var reached [senders]int64
		for p := range reached {
			reached[p] = s.next[p].Load()
		}
		kills = append(kills, reached)
		broker.Again()
		// Messages that come before dwindle is back wait for it in its session.
		require.Eventually(t, func() bool {
			return x.report("broker subscription").Level == health.Ok && x.report("broker connection").Level == health.Ok
		}, time.Minute, time.Millisecond)
	}
	s.wait(t)
	all(t, broker.Addr, 100_000, senders) // what is behind these has been delivered
	time.Sleep(100 * time.Millisecond)
	require.Zero(t, r.Stats().SessionsLost)
	// A message a millisecond: this is what a sender sends in a second.
	const onItsWay = 1000
	for p, lost := range x.missing(t, s) {
		for _, count := range lost {
			near := false
			for _, k := range kills {
				near = near || count <= k[p]+senderWindow && count > k[p]-onItsWay
			}
			require.True(t, near, "sender %d lost %d, which was not on its way at a kill (%v)", p, count, kills)
		}
	}
}

func TestABrokerThatLostItsSessionsIsSaidAndCountersMakeUp(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	x := start(t)
	dir := t.TempDir()
	r := x.subscribes(t, broker.Addr, dir)
	first := slowly(t, broker.Addr, 0, 400)
	x.gets(t, first)
	r.stop()
	stopped := time.Now()
	lost := slowly(t, broker.Addr, 1000, 400) // which the broker has acknowledged
	broker.Stop()
	broker.Forget()
	broker.Again()

	noticed := make(chan error, 10)
	r = x.subscribes(t, broker.Addr, dir, func(o *mqtt.ClientOptions) {
		o.Notice = func(n reading.Notice) { noticed <- x.j.Note(context.Background(), n) }
	})
	require.Contains(t, x.until(t, "broker session", health.Warn).What, "may be missing")
	require.NoError(t, <-noticed)
	notices, err := x.j.Notices(context.Background(), mqtt.SessionLost, false, 10)
	require.NoError(t, err)
	require.Len(t, notices, 1, "and can be looked up later")
	require.WithinDuration(t, stopped, notices[0].At, 10*time.Second, "from the end of the last connection")
	require.True(t, notices[0].Until.After(notices[0].At))
	require.Equal(t, "broker", notices[0].About)
	require.EqualValues(t, 1, r.Stats().SessionsLost)
	require.Contains(t, r.log.String(), "possible gap: the broker has forgotten our session")
	last := slowly(t, broker.Addr, 2000, 40)
	x.gets(t, first, last)
	require.False(t, none(x.missing(t, lost)))
	x.flush(t)
	for p := range senders {
		require.InDelta(t, 2009, x.pulses(t, p), 0, "the count goes on where it was")
	}
}

// heap is what is in use after a collection, bytes.
func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func TestABadNetworkLosesNothingAndLeavesNothingBehind(t *testing.T) {
	type toxic struct {
		name     string
		messages int
		do       func(t *testing.T, p *badnet.Proxy, s *traffic)
	}
	set := func(f badnet.Fault) func(*testing.T, *badnet.Proxy, *traffic) {
		return func(t *testing.T, p *badnet.Proxy, s *traffic) { p.Set(f); s.wait(t) }
	}
	hold := func(f badnet.Fault, d time.Duration) func(*testing.T, *badnet.Proxy, *traffic) {
		return func(t *testing.T, p *badnet.Proxy, s *traffic) { p.Set(f); time.Sleep(d); s.wait(t) }
	}
	resets := func(n int, every time.Duration) func(*testing.T, *badnet.Proxy, *traffic) {
		return func(t *testing.T, p *badnet.Proxy, s *traffic) {
			for range n {
				time.Sleep(every)
				p.Reset()
			}
			s.wait(t)
		}
	}
	toxics := []toxic{
		{"resets", 2000, resets(5, 200*time.Millisecond)},
		{"late and uneven", 400, set(badnet.Fault{Latency: 300 * time.Millisecond, Jitter: 200 * time.Millisecond})},
		{"narrow", 400, set(badnet.Fault{BytesPerSecond: 50_000})},
		{"single bytes", 1000, set(badnet.Fault{Slice: 1})},
		{"stands still", 400, hold(badnet.Fault{Still: true}, 5*time.Second)},
	}
	if *long {
		toxics = []toxic{
			{"resets", 40_000, resets(40, 3*time.Second)},
			{"late and uneven", 4000, hold(badnet.Fault{Latency: 3 * time.Second, Jitter: 2 * time.Second}, time.Minute)},
			{"narrow", 400, hold(badnet.Fault{BytesPerSecond: 1000}, 2*time.Minute)},
			{"single bytes", 10_000, set(badnet.Fault{Slice: 1})},
			{"stands still", 4000, hold(badnet.Fault{Still: true}, 10*time.Minute)},
		}
	}
	broker := brokertest.Start(t, brokertest.Options{})
	proxy := badnet.Start(t, broker.Addr)
	x := start(t)
	dir := t.TempDir()
	r := x.subscribes(t, proxy.Addr, dir, func(o *mqtt.ClientOptions) {
		if *long {
			o.KeepAlive, o.PingTimeout, o.LongestWait = 30*time.Second, 10*time.Second, 0
		}
	})
	x.gets(t, all(t, broker.Addr, 0, 4000))
	base, goroutines := heap(), runtime.NumGoroutine()
	first := 10_000
	for _, toxic := range toxics {
		t.Run(toxic.name, func(t *testing.T) {
			s := send(t, broker.Addr, first, toxic.messages, time.Millisecond, pace)
			first += 20_000
			toxic.do(t, proxy, s)
			proxy.Set(badnet.Fault{})
			x.gets(t, s)
			x.until(t, "broker connection", health.Ok)
			require.Zero(t, r.Stats().SessionsLost)
			require.NotEqual(t, health.Bad, x.report("broker client id").Level, "a bad network is no second client")
		})
	}
	x.gets(t, all(t, broker.Addr, first, 4000))
	require.Eventually(t, func() bool { return runtime.NumGoroutine() <= goroutines+goroutines/10+1 }, 30*time.Second, 50*time.Millisecond,
		"%d goroutines at first, %d now", goroutines, runtime.NumGoroutine())
	// A tenth, and a little that does not depend on what was in use.
	require.Less(t, heap(), base+base/10+2<<20)
}

// The other side is gone and nobody says so.
func TestAHalfOpenConnectionIsNoticed(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	proxy := badnet.Start(t, broker.Addr)
	x := start(t)
	keepAlive, pingTimeout := 2*time.Second, 2*time.Second
	if *long {
		keepAlive, pingTimeout = 30*time.Second, 10*time.Second
	}
	r := x.subscribes(t, proxy.Addr, t.TempDir(), func(o *mqtt.ClientOptions) { o.KeepAlive, o.PingTimeout = keepAlive, pingTimeout })
	x.gets(t, all(t, broker.Addr, 0, 40))
	proxy.HalfOpen()
	began := time.Now()
	missed := all(t, broker.Addr, 1000, 40)
	require.Eventually(t, func() bool { return r.Stats().Connections == 2 }, time.Minute, 5*time.Millisecond)
	took := time.Since(began)
	t.Logf("noticed and connected again after %v", took.Round(10*time.Millisecond))
	// The promise itself is a time: keep-alive, ping timeout, and 5 s.
	require.Less(t, took, keepAlive+pingTimeout+5*time.Second)
	x.gets(t, missed)
}

// A second program with the same client id: each throws the other out. Both
// store what they get, so nothing is lost here; elsewhere it would be.
func TestASecondClientOfTheSameIDIsSaidAndHarmsNoData(t *testing.T) {
	t.Parallel()
	broker := brokertest.Start(t, brokertest.Options{})
	x := start(t)
	same := func(o *mqtt.ClientOptions) {
		o.Broker.ClientID = "one-and-the-same"
		if *long {
			o.LongestWait = 0
		}
	}
	r := x.subscribes(t, broker.Addr, t.TempDir(), same)
	s := send(t, broker.Addr, 0, rounds(4000, 100_000), time.Millisecond, pace)
	began := time.Now()
	second := x.subscribes(t, broker.Addr, t.TempDir(), same)
	got := x.until(t, "broker client id", health.Bad)
	t.Logf("said after %v", time.Since(began).Round(10*time.Millisecond))
	require.Less(t, time.Since(began), time.Minute, "which is what is promised")
	require.Contains(t, got.What, "one-and-the-same is in use elsewhere")
	second.stop()
	s.wait(t)
	x.gets(t, s)
	require.Positive(t, r.Stats().Received)
	require.Empty(t, x.Stats().Kept)
}

// Deep nesting must cost neither stack nor memory.
func TestADeeplyNestedPayloadIsKeptAsideAtNoCost(t *testing.T) {
	x := start(t)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for _, n := range []int{200 << 10, 1_000_000} {
		require.NoError(t, x.Submit(context.Background(), reading.Message{Topic: below + "/d-1/pulse", Payload: bytes.Repeat([]byte("["), n), Received: t0}))
	}
	x.flush(t)
	runtime.ReadMemStats(&after)
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20))
	var kept int64
	for _, n := range x.Stats().Kept {
		kept += n
	}
	require.EqualValues(t, 2, kept)
}
