package mqtt

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// The benchmarks measure what handing over and acknowledging later costs, with
// a sink that keeps nothing. Each compares with a baseline of the same run,
// since figures of different runs on a shared machine differ by more than
// what is measured. QoS 1, 200-byte payloads, 4 publishers with 100
// outstanding each, publishers on the same machine.

// counter is a sink that answers from another goroutine, as an intake does.
type counter struct {
	n     atomic.Int64
	queue chan reading.Message
}

func newCounter(b *testing.B) *counter {
	c := &counter{queue: make(chan reading.Message, 4096)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for m := range c.queue {
			m.Done(nil)
			c.n.Add(1)
		}
	}()
	b.Cleanup(func() { close(c.queue); <-done })
	return c
}

func (c *counter) sink(ctx context.Context, m reading.Message) error {
	select {
	case c.queue <- m:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func runFor(b *testing.B, run func(context.Context) error) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
}

func perSecond(n int, took time.Duration) float64 { return float64(n) / took.Seconds() }

// BenchmarkExternal: from publisher over a broker to the acknowledgement by
// our client, and by a client that only acknowledges.
func BenchmarkExternal(b *testing.B) {
	broker := brokertest.Start(b, brokertest.Options{})
	c := newCounter(b)
	var ours, bare time.Duration
	for b.Loop() {
		const messages = 20_000
		client := brokertest.StartBareClient(b, broker.Addr, everything)
		began := time.Now()
		brokertest.MustLoad(b, brokertest.LoadOptions{Addr: broker.Addr, Messages: messages})
		brokertest.Reaches(b, "the bare client", messages, client.Count)
		bare += time.Since(began)
		client.Stop()

		checks := health.New(nil)
		durable, err := NewClient(ClientOptions{
			Name: "broker", Broker: config.Broker{URL: "tcp://" + broker.Addr}, Filters: []string{everything},
			StateDir: b.TempDir(), Sink: c.sink, Health: checks,
		})
		if err != nil {
			b.Fatal(err)
		}
		stop := runFor(b, durable.Run)
		brokertest.Until(b, "it is subscribed", func() bool { return check(checks, "broker subscription").Level == health.Ok })
		before := c.n.Load()
		began = time.Now()
		brokertest.MustLoad(b, brokertest.LoadOptions{Addr: broker.Addr, Messages: messages})
		brokertest.Reaches(b, "our client", before+messages, c.n.Load)
		ours += time.Since(began)
		stop()
	}
	b.ReportMetric(perSecond(b.N*20_000, bare), "bare-msg/s")
	b.ReportMetric(perSecond(b.N*20_000, ours), "msg/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
}

// BenchmarkEmbedded: the embedded broker, and the same library acknowledging
// at once.
func BenchmarkEmbedded(b *testing.B) {
	c := newCounter(b)
	s, err := NewServer(ServerOptions{Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: c.sink})
	if err != nil {
		b.Fatal(err)
	}
	stop := runFor(b, s.Run)
	baseline := brokertest.StartBareBroker(b)
	var ours, bare time.Duration
	for b.Loop() {
		const messages = 20_000
		bare += brokertest.MustLoad(b, brokertest.LoadOptions{Addr: baseline, Messages: messages}).Took
		ours += brokertest.MustLoad(b, brokertest.LoadOptions{Addr: s.Addr(), Messages: messages}).Took
	}
	stop()
	b.ReportMetric(perSecond(b.N*20_000, bare), "bare-msg/s")
	b.ReportMetric(perSecond(b.N*20_000, ours), "msg/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
}
