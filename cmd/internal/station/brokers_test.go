package station

import (
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/reading"
	"dwindle/config"
)

// A client may take seconds to stop: it commits and acknowledges what it has.
func TestFiguresDoNotWaitForAClientThatStops(t *testing.T) {
	checks, sink := health.New(nil), func(context.Context, reading.Message) error { return nil }
	b := newBrokers(sink, nil, checks, slog.New(slog.DiscardHandler))
	opt := mqtt.ClientOptions{
		Name: "yard", Broker: config.Broker{Name: "yard", URL: "tcp://127.0.0.1:1"}, Filters: []string{"lube/#"},
		StateDir: t.TempDir(), Sink: sink, Health: checks,
	}
	client, err := mqtt.NewClient(opt)
	require.NoError(t, err)
	stopped, ended := make(chan struct{}), make(chan struct{})
	b.running["yard"] = &runningBroker{opt: opt, client: client, stop: func() { close(stopped) }, ended: ended}

	site := terminal(t, t.TempDir()) // which names no broker
	var over atomic.Bool
	applied := make(chan error, 1)
	go func() {
		err := b.apply(t.Context(), site)
		over.Store(true)
		applied <- err
	}()
	<-stopped
	require.Eventually(t, func() bool { return len(b.figures()) == 1 }, 30*time.Second, time.Millisecond, "it counts until it has ended")
	require.False(t, over.Load(), "a client made anew must not meet the old one")
	close(ended)
	require.NoError(t, <-applied)
	require.Empty(t, b.figures())
	b.wait()
}
