package session_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/collector/sparkplug"
	"dwindle/collector/sparkplug/session"
	"dwindle/collector/sparkplug/wire"
	"dwindle/config"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const soon = 10 * time.Second

func ptr[T any](x T) *T { return &x }

// store is what takes over messages; it can refuse them.
type store struct {
	mu     sync.Mutex
	got    []string // topic, then name=bits of its metrics
	refuse error
}

func (s *store) take(_ context.Context, m reading.Message) error {
	p, err := wire.Decode(m.Payload)
	if err != nil {
		return err
	}
	words := []string{strings.TrimPrefix(m.Topic, "spBv1.0/terminal/")}
	for _, metric := range p.Metrics {
		words = append(words, fmt.Sprintf("%s=%d", metric.Name, metric.Value.Bits))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse == nil {
		s.got = append(s.got, strings.Join(words, " "))
	}
	m.Done(s.refuse)
	return nil
}

func (s *store) all() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.got...)
}

func (s *store) has(t *testing.T, want ...string) {
	t.Helper()
	require.Eventually(t, func() bool { return len(s.all()) >= len(want) }, soon, 5*time.Millisecond, "%q", want)
	require.Equal(t, want, s.all())
	s.mu.Lock()
	defer s.mu.Unlock()
	s.got = nil
}

// node is a fake edge node with one device: it sends what it is told, and its
// births again when it is asked.
type node struct {
	t      *testing.T
	client paho.Client
	asked  chan struct{}

	mu      sync.Mutex
	seq     uint64
	session uint64
	count   uint64
}

func connect(t *testing.T, addr, id string, set func(*paho.ClientOptions)) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + addr).SetProtocolVersion(4).SetClientID(id).SetAutoReconnect(false)
	if set != nil {
		set(o)
	}
	client := paho.NewClient(o)
	within(t, client.Connect())
	t.Cleanup(func() { client.Disconnect(100) })
	return client
}

func within(t *testing.T, token paho.Token) {
	t.Helper()
	require.True(t, token.WaitTimeout(soon), "the broker does not answer")
	require.NoError(t, token.Error())
}

func startNode(t *testing.T, addr string, bdSeq uint64) *node {
	t.Helper()
	n := &node{t: t, asked: make(chan struct{}, 10), session: bdSeq, count: 5}
	will := wire.Encode(wire.Payload{Time: ptr(uint64(time.Now().UnixMilli())), Metrics: []wire.Metric{n.bdSeq()}})
	n.client = connect(t, addr, "node", func(o *paho.ClientOptions) { o.SetBinaryWill("spBv1.0/terminal/NDEATH/gw", will, 1, false) })
	within(t, n.client.Subscribe("spBv1.0/terminal/NCMD/gw", 1, func(_ paho.Client, m paho.Message) {
		p, err := wire.Decode(m.Payload())
		if err == nil && len(p.Metrics) == 1 && p.Metrics[0].Name == "Node Control/Rebirth" && p.Metrics[0].Value.Bits == 1 && p.Seq == nil && m.Qos() == 0 {
			n.asked <- struct{}{}
		}
	}))
	return n
}

func (n *node) bdSeq() wire.Metric {
	return wire.Metric{Name: "bdSeq", Datatype: wire.UInt64, Value: wire.Value{Field: wire.LongField, Bits: n.session}}
}

func (n *node) send(rest string, metrics ...wire.Metric) {
	n.t.Helper()
	n.mu.Lock()
	p := wire.Encode(wire.Payload{Time: ptr(uint64(time.Now().UnixMilli())), Seq: ptr(n.seq % 256), Metrics: metrics})
	n.seq++
	n.mu.Unlock()
	within(n.t, n.client.Publish("spBv1.0/terminal/"+rest, 0, false, p))
}

func (n *node) births() {
	n.t.Helper()
	n.mu.Lock()
	n.seq = 0
	n.mu.Unlock()
	n.send("NBIRTH/gw", n.bdSeq())
	n.send("DBIRTH/gw/d-1", wire.Metric{Name: "Count", Alias: ptr(uint64(7)), Datatype: wire.UInt32, Value: wire.Value{Field: wire.IntField, Bits: n.count}})
}

func (n *node) data() {
	n.t.Helper()
	n.count++
	n.send("DDATA/gw/d-1", wire.Metric{Alias: ptr(uint64(7)), Value: wire.Value{Field: wire.IntField, Bits: n.count}})
}

// start runs a host until the returned function is called.
func start(t *testing.T, addr string, host sparkplug.Options, s *store, checks *health.Checks, groups ...string) (*session.Client, func()) {
	t.Helper()
	c, err := session.New(session.Options{Broker: config.Broker{URL: "tcp://" + addr}, Host: host, Groups: groups, Sink: s.take, Health: checks})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			cancel()
			select {
			case err := <-ended:
				require.NoError(t, err)
			case <-time.After(2 * soon):
				require.Fail(t, "the host does not end")
			}
		})
	}
	t.Cleanup(stop)
	require.Eventually(t, func() bool { return is(checks, "sparkplug gap", health.Ok) }, soon, 5*time.Millisecond, "connected")
	return c, stop
}

func is(checks *health.Checks, name string, level health.Level) bool {
	for _, c := range checks.List() {
		if c.Name == name {
			return c.Level == level
		}
	}
	return false
}

// A node's life, and a host that comes late, restarts, and asks.
func TestAHostFollowsAnEdgeNodeOverABroker(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	s, quick := &store{}, sparkplug.Options{Reorder: 100 * time.Millisecond}
	_, stop := start(t, broker.Addr, quick, s, health.New(nil))

	n := startNode(t, broker.Addr, 3)
	n.births()
	n.data()
	s.has(t, "NBIRTH/gw bdSeq=3 $online=1", "DBIRTH/gw/d-1 Count=5 $online=1", "DDATA/gw/d-1 Count=6")

	// The host is away: nobody keeps what is sent.
	stop()
	n.data()
	c, stop := start(t, broker.Addr, quick, s, health.New(nil))
	n.data()
	select {
	case <-n.asked:
	case <-time.After(soon):
		require.Fail(t, "no birth is asked for")
	}
	require.Empty(t, s.all(), "an alias without a birth means nothing")
	n.births()
	n.data()
	s.has(t, "NBIRTH/gw bdSeq=3 $online=1", "DBIRTH/gw/d-1 Count=8 $online=1", "DDATA/gw/d-1 Count=9")
	require.Eventually(t, func() bool { return c.Stats().Host.Requests == 1 && c.Stats().Host.Resolved == 1 }, soon, 5*time.Millisecond)

	require.True(t, c.Stats().Up)
	require.Equal(t, int64(1), c.Stats().Connections)

	// The node is cut off, and the broker says so.
	kick := connect(t, broker.Addr, "node", nil)
	s.has(t, "NDEATH/gw $online=0", "DDEATH/gw/d-1 $online=0")
	kick.Disconnect(100)
	stop()
}

func TestWhatIsNotStoredIsAskedForAgain(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	s := &store{}
	start(t, broker.Addr, sparkplug.Options{}, s, health.New(nil))
	n := startNode(t, broker.Addr, 0)
	n.births()
	s.has(t, "NBIRTH/gw bdSeq=0 $online=1", "DBIRTH/gw/d-1 Count=5 $online=1")
	s.mu.Lock()
	s.refuse = errors.New("disk full")
	s.mu.Unlock()
	n.data()
	select {
	case <-n.asked:
	case <-time.After(soon):
		require.Fail(t, "no birth is asked for")
	}
}

// A stop hands on what has come, and waits until it is stored.
func TestAStopStoresWhatHasCome(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	s, gate := &store{}, make(chan struct{})
	c, err := session.New(session.Options{Broker: config.Broker{URL: "tcp://" + broker.Addr}, Sink: func(ctx context.Context, m reading.Message) error {
		select {
		case <-gate:
			return s.take(ctx, m)
		case <-ctx.Done():
			return ctx.Err()
		}
	}})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	require.Eventually(t, func() bool { return c.Stats().Up }, soon, 5*time.Millisecond)
	n := startNode(t, broker.Addr, 0)
	n.births()
	for range 20 {
		n.data()
	}
	require.Eventually(t, func() bool { return c.Stats().Received == 22 }, soon, 5*time.Millisecond)
	cancel()
	close(gate)
	require.NoError(t, <-ended)
	require.Len(t, s.all(), 22)
	require.Equal(t, "DDATA/gw/d-1 Count=25", s.all()[21])
}

// state hears a host's STATE as an edge node would.
func state(t *testing.T, addr, client string) <-chan string {
	t.Helper()
	heard := make(chan string, 20)
	watcher := connect(t, addr, client, nil)
	within(t, watcher.Subscribe("spBv1.0/STATE/dwindle", 1, func(_ paho.Client, m paho.Message) {
		heard <- fmt.Sprintf("%s retained=%t", m.Payload(), m.Retained())
	}))
	return heard
}

func next(t *testing.T, heard <-chan string) string {
	t.Helper()
	select {
	case text := <-heard:
		return text
	case <-time.After(soon):
		require.Fail(t, "no STATE")
		return ""
	}
}

// The STATE of a primary host: one time in Will and birth, put right when a
// late Will denies it, and taken back before leaving.
func TestAPrimaryHostPublishesItsState(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	primary := sparkplug.Options{ID: "dwindle", Primary: true}
	s := &store{}
	before := state(t, broker.Addr, "before")
	_, stop := start(t, broker.Addr, primary, s, health.New(nil), "terminal")
	born := next(t, before)
	require.Regexp(t, `^\{"online":true,"timestamp":\d{13}\} retained=false$`, born)
	kept := next(t, state(t, broker.Addr, "after"))
	require.Equal(t, strings.Replace(born, "retained=false", "retained=true", 1), kept)

	// What the Will of an earlier connection would say, coming late.
	other := connect(t, broker.Addr, "other", nil)
	within(t, other.Publish("spBv1.0/STATE/dwindle", 1, true, `{"online":false,"timestamp":1}`))
	require.Contains(t, next(t, before), `"online":false`)
	require.Equal(t, born, next(t, before))

	stop()
	require.Regexp(t, `^\{"online":false,"timestamp":\d{13}\} retained=false$`, next(t, before))
	require.Contains(t, next(t, state(t, broker.Addr, "later")), `{"online":false`)
}

// A primary host that is cut off is announced by its Will, and announces itself
// again with the time of its new connection.
func TestTheWillOfAPrimaryHostTellsThatItIsGone(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	heard := state(t, broker.Addr, "watcher")
	c, _ := start(t, broker.Addr, sparkplug.Options{ID: "dwindle", Primary: true}, &store{}, health.New(nil))
	born := next(t, heard)
	connect(t, broker.Addr, c.ClientID(), nil) // takes the session over, which ends ours
	require.Equal(t, strings.Replace(born, "true", "false", 1), next(t, heard))
	again := next(t, heard)
	require.Contains(t, again, `"online":true`)
	require.NotEqual(t, born, again)
}

func TestALostBrokerIsToldAndComeBackTo(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	s, checks := &store{}, health.New(nil)
	start(t, broker.Addr, sparkplug.Options{}, s, checks)
	broker.Kill()
	require.Eventually(t, func() bool { return is(checks, "sparkplug connection", health.Bad) }, soon, 5*time.Millisecond)
	broker.Again()
	require.Eventually(t, func() bool { return is(checks, "sparkplug connection", health.Ok) }, 2*soon, 5*time.Millisecond)
	n := startNode(t, broker.Addr, 1)
	n.births()
	s.has(t, "NBIRTH/gw bdSeq=1 $online=1", "DBIRTH/gw/d-1 Count=5 $online=1")
}

func TestAHostThatIsNotPrimaryPublishesNoState(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	all := make(chan string, 10)
	watcher := connect(t, broker.Addr, "watcher", nil)
	within(t, watcher.Subscribe("#", 1, func(_ paho.Client, m paho.Message) { all <- m.Topic() }))
	_, stop := start(t, broker.Addr, sparkplug.Options{ID: "dwindle"}, &store{}, health.New(nil))
	stop()
	within(t, watcher.Publish("end", 1, false, "x"))
	require.Equal(t, "end", next(t, all))
}

func TestARefusedAccountIsTold(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{Accounts: map[string]string{"dwindle": "secret"}})
	checks := health.New(nil)
	stop := try(t, config.Broker{URL: "tcp://" + broker.Addr, Username: "somebody"}, checks)
	require.Eventually(t, func() bool { return is(checks, "sparkplug connection", health.Bad) }, soon, 5*time.Millisecond)
	stop()
}

// deaf lets everybody in and nobody listen.
type deaf struct{ mochi.HookBase }

func (*deaf) ID() string                                               { return "deaf" }
func (*deaf) Provides(b byte) bool                                     { return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck }
func (*deaf) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*deaf) OnACLCheck(_ *mochi.Client, _ string, write bool) bool    { return write }

func TestARefusedSubscriptionIsTold(t *testing.T) {
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, server.AddHook(new(deaf), nil))
	l := listeners.NewTCP(listeners.Config{ID: "deaf", Address: "127.0.0.1:0"})
	require.NoError(t, server.AddListener(l))
	require.NoError(t, server.Serve())
	defer server.Close()
	checks := health.New(nil)
	stop := try(t, config.Broker{URL: "tcp://" + l.Address()}, checks)
	require.Eventually(t, func() bool { return is(checks, "sparkplug subscription", health.Bad) }, soon, 5*time.Millisecond)
	stop()
}

// try runs a host that does not get far.
func try(t *testing.T, b config.Broker, checks *health.Checks) (stop func()) {
	t.Helper()
	c, err := session.New(session.Options{Broker: b, Sink: (&store{}).take, Health: checks})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	return func() {
		cancel()
		require.NoError(t, <-ended)
	}
}

func TestOptionsAreNeeded(t *testing.T) {
	_, err := session.New(session.Options{})
	require.ErrorContains(t, err, "no sink")
	_, err = session.New(session.Options{Sink: (&store{}).take, Host: sparkplug.Options{Primary: true}})
	require.ErrorContains(t, err, "host id")
}
