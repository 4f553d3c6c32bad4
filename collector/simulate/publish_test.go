package simulate

import (
	"context"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// keeper is a broker hook that notes what arrives, by device.
type keeper struct {
	broker.HookBase
	mu   sync.Mutex
	got  map[string][]string
	qos1 int
}

func (*keeper) ID() string { return "keeper" }
func (*keeper) Provides(b byte) bool {
	return b == broker.OnPublish || b == broker.OnConnectAuthenticate || b == broker.OnACLCheck
}
func (*keeper) OnConnectAuthenticate(*broker.Client, packets.Packet) bool { return true }
func (*keeper) OnACLCheck(*broker.Client, string, bool) bool              { return true }

func (k *keeper) OnPublish(_ *broker.Client, pk packets.Packet) (packets.Packet, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	device := deviceOf(pk.TopicName)
	k.got[device] = append(k.got[device], string(pk.Payload))
	if pk.FixedHeader.Qos == 1 {
		k.qos1++
	}
	return pk, nil
}

func startBroker(t *testing.T) (string, *keeper) {
	t.Helper()
	probe, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := probe.Addr().String()
	require.NoError(t, probe.Close())
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	k := &keeper{got: map[string][]string{}}
	require.NoError(t, s.AddHook(k, nil))
	require.NoError(t, s.AddListener(listeners.NewTCP(listeners.Config{ID: "t", Address: addr})))
	require.NoError(t, s.Serve())
	t.Cleanup(func() { _ = s.Close() })
	return addr, k
}

func TestPublishDeliversAllInOrderPerDevice(t *testing.T) {
	addr, k := startBroker(t)
	p := New(Options{Seed: 1, Points: 12, Days: 10})
	want, n := map[string][]string{}, 0
	for m := range p.Messages() {
		n++
		want[deviceOf(m.Topic)] = append(want[deviceOf(m.Topic)], string(m.Payload))
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	sent, err := Publish(ctx, addr, 3, p.Messages())
	require.NoError(t, err)
	require.Equal(t, n, sent)
	k.mu.Lock()
	defer k.mu.Unlock()
	require.Equal(t, n, k.qos1)
	require.Equal(t, want, k.got)
}

func TestPublishSaysWhereItFailed(t *testing.T) {
	probe, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := probe.Addr().String()
	require.NoError(t, probe.Close())
	_, err = Publish(t.Context(), addr, 2, New(Options{Points: 2, Days: 2}).Messages())
	require.ErrorContains(t, err, addr)
}

func TestPublishStopsWithItsContext(t *testing.T) {
	addr, _ := startBroker(t)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	_, err := Publish(ctx, addr, 2, func(yield func(Sent) bool) {
		for yield(Sent{Topic: "lube/v1/s/" + strings.Repeat("x", 1+n%5) + "/run", Payload: []byte("{}")}) {
			if n++; n == 1000 {
				cancel()
			}
		}
	})
	require.ErrorIs(t, err, context.Canceled)
}

// muteBroker accepts connections and acknowledges nothing; it hangs up after
// the given number of bytes, if that is above 0.
func muteBroker(t *testing.T, bytes int) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				buf := make([]byte, 4096)
				if _, err := c.Read(buf); err != nil {
					return
				}
				// CONNACK: accepted (MQTT 3.1.1, section 3.2).
				if _, err := c.Write([]byte{0x20, 2, 0, 0}); err != nil {
					return
				}
				for total := 0; bytes == 0 || total < bytes; {
					n, err := c.Read(buf)
					if err != nil {
						return
					}
					total += n
				}
			}()
		}
	}()
	return l.Addr().String()
}

func TestPublishCountsOnlyWhatWasAcknowledged(t *testing.T) {
	messages := New(Options{Points: 4, Days: 3}).Messages()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	n, err := Publish(ctx, muteBroker(t, 0), 1, messages)
	require.ErrorIs(t, err, context.DeadlineExceeded, "waiting for an acknowledgement that does not come")
	require.Zero(t, n)
	// It hangs up once it has all of a handful, while we wait for the answers.
	size := 0
	var handful []Sent
	for m := range messages {
		handful = append(handful, m)
		if size += len(m.Topic) + len(m.Payload); len(handful) == 20 {
			break
		}
	}
	n, err = Publish(t.Context(), muteBroker(t, size), 1, slices.Values(handful))
	require.Error(t, err, "the broker hung up")
	require.Zero(t, n)
}
