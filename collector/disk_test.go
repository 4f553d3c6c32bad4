package collector

import (
	"context"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal/disktest"
	"dwindle/collector/mqtt"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// sender submits increments without end and counts what is acknowledged.
type sender struct {
	sent, acked atomic.Int64
	ended       chan struct{}
	stop        func()
}

func send(t *testing.T, x *house) *sender {
	t.Helper()
	s := &sender{ended: make(chan struct{})}
	ctx, stop := context.WithCancel(context.Background())
	s.stop = func() { stop(); <-s.ended }
	go func() {
		defer close(s.ended)
		for i := 0; ctx.Err() == nil; i++ {
			m := increment(i)
			m.Done = func(err error) {
				if err == nil {
					s.acked.Add(1)
				}
			}
			if x.Submit(ctx, m) != nil {
				return
			}
			s.sent.Add(1)
			if i%50 == 49 {
				time.Sleep(5 * time.Millisecond)
			}
		}
	}()
	t.Cleanup(s.stop)
	return s
}

// stored counts what readers see.
func (x *house) stored(t *testing.T) (n int64) {
	t.Helper()
	require.NoError(t, x.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(1, 0, 0), func(reading.Reading) error { n++; return nil }))
	return n
}

// A disk that refuses for a while, in each of the ways that disks have, at each
// place where the journal writes. The real thing, with a file system that is
// full, is a test of the whole program.
func TestADiskThatRefusesStopsAcknowledgingAndNothingElse(t *testing.T) {
	for name, c := range map[string]struct {
		fault disktest.Fault
		op    disktest.Op
		what  string
	}{
		"full":             {disktest.Full, disktest.Write, "disk full"},
		"read-only":        {disktest.ReadOnly, disktest.Write, "read-only"},
		"broken in write":  {disktest.Broken, disktest.Write, "disk error"},
		"broken in a sync": {disktest.Unsynced, disktest.Sync, "disk error"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			disk := disktest.Watch(t, dir)
			path := filepath.Join(dir, "journal.db")
			x := startAt(t, terminal(t, 1, 1), path)
			s := send(t, x)
			require.Eventually(t, func() bool { return s.acked.Load() > 200 }, 20*time.Second, time.Millisecond)

			for range rounds(2, 20) {
				disk.Hook(func(call disktest.Call) error {
					if call.Op == c.op {
						return c.fault
					}
					return nil
				})
				require.Eventually(t, func() bool { return x.check(checkJournal).Level == health.Bad }, 20*time.Second, time.Millisecond)
				require.Contains(t, x.check(checkJournal).What, c.what)
				require.Contains(t, x.check(checkJournal).What, "nothing is acknowledged")
				before := s.acked.Load()
				time.Sleep(300 * time.Millisecond)
				require.Equal(t, before, s.acked.Load(), "nothing is acknowledged")
				require.GreaterOrEqual(t, x.stored(t), before, "readers go on")
				disk.Hook(nil)
				require.Eventually(t, func() bool { return s.acked.Load() > before+200 }, 60*time.Second, time.Millisecond, "recovers by itself")
				require.Eventually(t, func() bool { return x.check(checkJournal).Level == health.Ok }, 20*time.Second, time.Millisecond)
			}

			s.stop()
			x.flush(t)
			require.Equal(t, s.sent.Load(), s.acked.Load())
			require.Equal(t, s.sent.Load(), x.stored(t))
			n := int(s.sent.Load())
			acknowledged := map[int]bool{}
			for i := range n {
				acknowledged[i] = true
			}
			require.NoError(t, x.stop())
			requireCounted(t, path, acknowledged, n)
		})
	}
}

// Each sync takes long, then one does not come back for a while, with a real
// broker on the other side. In the short form the broker's patience with a
// client that says nothing, 45 s, is not put to the test; in the long form it is.
func TestASlowDiskDelaysAcknowledgementsAndNothingElse(t *testing.T) {
	t.Parallel()
	slow, hang, wait := 150*time.Millisecond, 2*time.Second, time.Second
	if *long {
		slow, hang, wait = 2*time.Second, time.Minute, slowWait
	}
	dir := t.TempDir()
	disk := disktest.Watch(t, dir)
	broker := brokertest.Start(t, brokertest.Options{})
	path := filepath.Join(dir, "journal.db")
	x := startWith(t, terminal(t, 1, 1), path, nil, func(in *Intake) { in.patience.wait = wait })
	var acked atomic.Int64
	client, err := mqtt.NewClient(mqtt.ClientOptions{
		Name: "broker", Broker: config.Broker{URL: "tcp://" + broker.Addr}, Filters: []string{"lube/v1/terminal/#"},
		StateDir: t.TempDir(), Health: x.checks,
		Sink: func(ctx context.Context, m reading.Message) error {
			done := m.Done
			m.Done = func(err error) {
				if err == nil {
					acked.Add(1)
				}
				done(err)
			}
			return x.Submit(ctx, m)
		},
	})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- client.Run(ctx) }()
	t.Cleanup(func() { stop(); require.NoError(t, <-ended) })
	require.Eventually(t, func() bool { return client.Stats().Up }, 30*time.Second, 5*time.Millisecond)

	var stuck, hangs atomic.Bool
	free := make(chan struct{})
	release := sync.OnceFunc(func() { close(free) })
	defer release() // also where the test fails: the stop waits for the disk
	disk.Hook(func(c disktest.Call) error {
		if c.Kind == disktest.Log && c.Op == disktest.Sync {
			time.Sleep(slow)
			if stuck.Load() {
				hangs.Store(true)
				<-free
			}
		}
		return nil
	})
	before := heap()
	const n = 3000
	go func() {
		_, _ = brokertest.Load(ctx, brokertest.LoadOptions{
			Addr: broker.Addr, Messages: n, Publishers: 1,
			Topic:   func(int, int) string { return "lube/v1/terminal/d-1/pulse" },
			Payload: func(_, i int) []byte { return increment(i).Payload },
		})
	}()
	honest := func() {
		a := acked.Load()
		require.LessOrEqual(t, a, x.stored(t), "acknowledged before it was stored")
	}
	require.Eventually(t, func() bool { return acked.Load() > 0 }, 60*time.Second, 5*time.Millisecond)
	honest()
	stuck.Store(true)
	require.Eventually(t, func() bool { return x.check(checkStorage).Level != health.Ok }, 30*time.Second, 5*time.Millisecond, "told soon")
	require.Contains(t, x.check(checkStorage).What, "storage slow")
	// Those of the commit before may still be on their way.
	frozen := int64(-1)
	require.Eventually(t, func() bool {
		last := frozen
		frozen = acked.Load()
		return hangs.Load() && frozen == last
	}, 30*time.Second, 500*time.Millisecond)
	time.Sleep(hang)
	honest()
	require.Equal(t, frozen, acked.Load(), "nothing is acknowledged while the disk hangs")
	require.LessOrEqual(t, x.Stats().Queue, defaultQueue+defaultBatch, "and counting goes on")
	require.Less(t, heap()-before, int64(64<<20), "memory is bounded")
	stuck.Store(false)
	release()
	disk.Hook(nil) // well again
	require.Eventually(t, func() bool { honest(); return acked.Load() >= n }, 5*time.Minute, 50*time.Millisecond, "catches up")
	require.EqualValues(t, 1, client.Stats().Connections, "the connection lived through it")
	require.EqualValues(t, n, x.stored(t))
}

// heap is what is in use, bytes.
func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
