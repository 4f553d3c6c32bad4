package brokertest

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// What a figure is compared with: the same libraries doing nothing but
// acknowledge.

// BareClient is a subscriber that acknowledges each message and keeps
// nothing.
type BareClient struct {
	client paho.Client
	filter string
	count  atomic.Int64
}

// StartBareClient subscribes to filter at a broker. It keeps a session until
// Stop: on a busy machine a connection may be given up for a ping that comes
// late, and what was sent meanwhile must be counted all the same.
func StartBareClient(t testing.TB, addr, filter string) *BareClient {
	t.Helper()
	b := &BareClient{filter: filter}
	subscribed := make(chan struct{})
	var first sync.Once
	o := paho.NewClientOptions().AddBroker("tcp://" + addr).SetProtocolVersion(4).SetCleanSession(false).
		SetClientID(fmt.Sprintf("bare-%d", time.Now().UnixNano())).
		SetMaxReconnectInterval(time.Second).
		SetDefaultPublishHandler(func(paho.Client, paho.Message) { b.count.Add(1) }).
		SetOnConnectHandler(func(c paho.Client) {
			if s := c.Subscribe(filter, 1, nil); s.WaitTimeout(startTime) && s.Error() == nil {
				first.Do(func() { close(subscribed) })
			}
		})
	b.client = paho.NewClient(o)
	within(t, b.client.Connect())
	select {
	case <-subscribed:
	case <-time.After(startTime):
		t.Fatal("the broker does not answer the subscription")
	}
	return b
}

// Count is how many messages it has acknowledged.
func (b *BareClient) Count() int64 { return b.count.Load() }

// Stop gives the subscription up and disconnects.
func (b *BareClient) Stop() {
	b.client.Unsubscribe(b.filter).WaitTimeout(startTime)
	b.client.Disconnect(250)
}

func within(t testing.TB, token paho.Token) {
	t.Helper()
	if !token.WaitTimeout(startTime) {
		t.Fatal("the broker does not answer")
	}
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
}

// StartBareBroker starts a broker of the library that the embedded one is
// made of, which acknowledges at once and stores nothing. It ends with the
// test.
func StartBareBroker(t testing.TB) (addr string) {
	t.Helper()
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := s.AddHook(new(open), nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "bare", Address: "127.0.0.1:0"})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return l.Address()
}

// open lets everybody do everything.
type open struct{ mochi.HookBase }

// ID implements mochi.Hook.
func (*open) ID() string { return "open" }

// Provides implements mochi.Hook.
func (*open) Provides(b byte) bool { return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck }

// OnConnectAuthenticate implements mochi.Hook.
func (*open) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

// OnACLCheck implements mochi.Hook.
func (*open) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// Bounds of what a benchmark waits for, well below the ten minutes that the Go
// tool gives a package: a benchmark that stands still should say what it waited
// for.
const (
	loadTime  = 3 * time.Minute
	untilTime = time.Minute
)

// MustLoad is Load for benchmarks: it fails the test unless all is
// acknowledged in time.
func MustLoad(t testing.TB, opt LoadOptions) Sent {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), loadTime)
	defer cancel()
	sent, err := Load(ctx, opt)
	if err != nil {
		t.Fatalf("%d messages acknowledged: %v", sent.Count, err)
	}
	return sent
}

// Reaches waits until a count is reached, and fails the test when it does not
// move for a while.
func Reaches(t testing.TB, what string, want int64, count func() int64) {
	t.Helper()
	last, since := count(), time.Now()
	for last < want {
		time.Sleep(100 * time.Microsecond)
		if now := count(); now != last {
			last, since = now, time.Now()
		} else if time.Since(since) > untilTime {
			t.Fatalf("%s: %d of %d, and no more for %v", what, last, want, untilTime)
		}
	}
}

// Until waits until ok holds, and fails the test if it never does.
func Until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(untilTime); !ok(); time.Sleep(100 * time.Microsecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", untilTime, what)
		}
	}
}
