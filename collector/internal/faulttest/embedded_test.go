package faulttest

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt"
	"dwindle/collector/mqtt/badnet"
)

// serves runs the embedded broker before the intake.
func (x *house) serves(t *testing.T) *mqtt.Server {
	t.Helper()
	s, err := mqtt.NewServer(mqtt.ServerOptions{Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: x.Submit, Health: x.checks})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(sync.OnceFunc(func() { cancel(); require.NoError(t, <-ended) }))
	return s
}

// Here the acknowledgement is dwindle's own: what a device holds acknowledged is
// in the journal at that moment, however bad the way between is.
func TestDevicesOnABadNetworkLoseNothingAtTheEmbeddedBroker(t *testing.T) {
	t.Parallel()
	times := time.Duration(rounds(1, 10))
	for _, toxic := range []struct {
		name     string
		messages int
		fault    badnet.Fault
		reset    time.Duration // between resets; 0: none
	}{
		{"resets", 2000, badnet.Fault{}, 150 * time.Millisecond},
		{"late and uneven, with resets", 400, badnet.Fault{Latency: 50 * time.Millisecond * times, Jitter: 40 * time.Millisecond * times}, 400 * time.Millisecond * times},
		{"narrow", 400, badnet.Fault{BytesPerSecond: 50_000 / int(times)}, 0},
		{"single bytes", 400, badnet.Fault{Slice: 1}, 0},
	} {
		t.Run(toxic.name, func(t *testing.T) {
			t.Parallel()
			x := start(t)
			proxy := badnet.Start(t, x.serves(t).Addr())
			proxy.Set(toxic.fault)
			s := send(t, proxy.Addr, 0, toxic.messages*int(times), time.Millisecond, pace)
			for reset := toxic.reset; reset > 0; {
				select {
				case <-s.done:
					reset = 0
				case <-time.After(reset):
					proxy.Reset()
				}
			}
			s.wait(t)
			lost := x.missing(t, s)
			require.True(t, none(lost), "acknowledged and not stored, at the moment of the last acknowledgement: %v\n%+v", lost, x.Stats())
		})
	}
}

// The network stands still in mid-traffic and then breaks.
func TestANetworkThatStandsStillAndBreaksLosesNothing(t *testing.T) {
	t.Parallel()
	x := start(t)
	server := x.serves(t)
	proxy := badnet.Start(t, server.Addr())
	s := send(t, proxy.Addr, 0, senders*10, time.Millisecond, pace).wait(t)
	require.True(t, none(x.missing(t, s)))
	slow := send(t, proxy.Addr, 1000, senders*100, 20*time.Millisecond, pace)
	time.Sleep(200 * time.Millisecond)
	proxy.Set(badnet.Fault{Still: true})
	time.Sleep(500 * time.Millisecond)
	proxy.Reset()
	proxy.Set(badnet.Fault{})
	slow.wait(t)
	require.True(t, none(x.missing(t, s, slow)))
}
