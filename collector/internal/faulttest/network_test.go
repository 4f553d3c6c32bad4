package faulttest

import (
	"bytes"
	"context"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/mqtt/badnet"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
)

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
