package mqtt

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/config"
)

const below = "lube/v1/riverside"

// probing prepares a client that probes at once.
func probing(t *testing.T, dir string, b config.Broker, sink Sink) (*Client, *health.Checks) {
	c, checks := newClient(t, dir, b, sink)
	c.opt.ProbeBelow = below
	c.prober = newProber(below, b.Username, c.ClientID())
	c.times.probeFirst, c.times.probeAnswer, c.times.probeEvery = 20*time.Millisecond, 300*time.Millisecond, 50*time.Millisecond
	return c, checks
}

// guardedBroker starts a broker with the given access list and gives the entry of
// dwindle's account there. A device load-00 has an account too.
func guardedBroker(t *testing.T, acl string) (*brokertest.Broker, config.Broker) {
	broker := brokertest.Start(t, brokertest.Options{
		Accounts: map[string]string{"dwindle": "s3cret", "load-00": "x"},
		ACL:      acl,
	})
	b := at(broker)
	b.Username, b.PasswordFile = "dwindle", filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(b.PasswordFile, []byte("s3cret\n"), 0o600))
	return broker, b
}

func deviceSends(t *testing.T, broker *brokertest.Broker) {
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Username: "load-00", Password: "x", Messages: 1, Publishers: 1})
}

func delivery(checks *health.Checks) health.Check { return check(checks, "broker delivery") }

func TestTheShippedAccessListLetsAProbeComeBack(t *testing.T) {
	acl, err := os.ReadFile(filepath.Join(brokertest.Root(t), "deploy", "mosquitto.acl"))
	require.NoError(t, err)
	_, entry := guardedBroker(t, string(acl))
	b := newBook()
	c, checks := probing(t, t.TempDir(), entry, b.sink)
	running(t, c.Run)
	eventually(t, "probes come back, one after the other", func() bool { return c.Stats().ProbesBack >= 3 })
	require.Equal(t, health.Ok, delivery(checks).Level)
	require.Empty(t, b.all(), "a probe is none of the sink's business")
	require.Zero(t, c.Stats().Received)
}

// mosquitto grants a subscription whatever its access list says and then
// delivers only what may be read.
func TestASubscriptionThatIsGrantedAndNotServedIsFound(t *testing.T) {
	for name, acl := range map[string]string{
		"may not read":  "pattern write lube/v1/riverside/%u/#\nuser dwindle\ntopic read lube/v1/riversid/#\n",
		"may not write": "user load-00\ntopic write lube/v1/riverside/#\nuser dwindle\ntopic read lube/v1/riverside/#\n",
	} {
		t.Run(name, func(t *testing.T) {
			broker, entry := guardedBroker(t, acl)
			b := newBook()
			c, checks := probing(t, t.TempDir(), entry, b.sink)
			running(t, c.Run)
			subscribed(t, checks)
			eventually(t, "it is said", func() bool { return delivery(checks).Level == health.Warn })
			require.Contains(t, delivery(checks).What, "a probe did not come back: reading or writing is forbidden")
			require.Contains(t, delivery(checks).Try, `the account "dwindle" must be allowed to read lube/v1/riverside/#`)
			require.Contains(t, delivery(checks).Try, "lube/v1/riverside/dwindle/probe")
			require.Equal(t, health.Ok, check(checks, "broker connection").Level)

			deviceSends(t, broker)
			if name == "may not read" {
				eventually(t, "more probes were sent meanwhile", func() bool { return c.Stats().Probes >= 6 })
				require.Equal(t, health.Warn, delivery(checks).Level)
				require.Empty(t, b.all())
				return
			}
			eventually(t, "a message of others is proof", func() bool { return delivery(checks).Level == health.Ok })
		})
	}
}

func TestAnAccountThatMayOnlyReadIsNotBlamedAgain(t *testing.T) {
	broker, entry := guardedBroker(t, "user load-00\ntopic write lube/v1/riverside/#\nuser dwindle\ntopic read lube/v1/riverside/#\n")
	dir := t.TempDir()
	c, checks := probing(t, dir, entry, newBook().sink)
	c.times.probeFirst = time.Hour
	stop := running(t, c.Run)
	subscribed(t, checks)
	deviceSends(t, broker)
	eventually(t, "it is noted", func() bool {
		id, err := loadIdentity(dir, "broker", "")
		return err == nil && id.hasDelivered([]string{everything})
	})
	stop()

	c, checks = probing(t, dir, entry, newBook().sink)
	running(t, c.Run)
	eventually(t, "both probes were missed", func() bool { return c.Stats().Probes >= 2 })
	time.Sleep(3 * c.times.probeAnswer)
	require.EqualValues(t, 2, c.Stats().Probes, "which say nothing here, so there are no more")
	require.NotEqual(t, health.Warn, delivery(checks).Level)
}

func TestProbesThatNoLongerComeBackAreAFinding(t *testing.T) {
	l := listen(t)
	var deaf atomic.Bool
	fakeBroker(t, l, true, nil, func(f *fake, p packets.ControlPacket) {
		if p, ok := p.(*packets.PublishPacket); ok && !deaf.Load() {
			f.send(p)
		}
	})
	dir := t.TempDir()
	c, checks := probing(t, dir, config.Broker{URL: "tcp://" + l.Addr().String()}, newBook().sink)
	require.NoError(t, c.id.delivered(c.opt.Filters)) // which is no excuse
	running(t, c.Run)
	eventually(t, "they come back", func() bool { return c.Stats().ProbesBack >= 2 })
	deaf.Store(true)
	eventually(t, "it is said", func() bool { return delivery(checks).Level == health.Warn })
	require.Contains(t, delivery(checks).What, "do so no longer")
	deaf.Store(false)
	eventually(t, "and taken back", func() bool { return delivery(checks).Level == health.Ok })
}

// A broker that ends the connection of whoever publishes without being allowed
// to must not be asked for ever.
func TestABrokerThatPunishesAProbeIsNotProbed(t *testing.T) {
	l := listen(t)
	var probes atomic.Int32
	fakeBroker(t, l, true, nil, func(f *fake, p packets.ControlPacket) {
		if _, ok := p.(*packets.PublishPacket); ok {
			probes.Add(1)
			_ = f.Close()
		}
	})
	c, checks := probing(t, t.TempDir(), config.Broker{URL: "tcp://" + l.Addr().String()}, newBook().sink)
	running(t, c.Run)
	eventually(t, "it has learned", func() bool { return strings.Contains(delivery(checks).What, "not probed") })
	eventually(t, "it is back", func() bool { return check(checks, "broker connection").Level == health.Ok })
	time.Sleep(10 * c.times.probeFirst)
	require.EqualValues(t, probePunished, probes.Load())
	require.Equal(t, health.Ok, delivery(checks).Level)
}

func TestProbesCanBeSwitchedOff(t *testing.T) {
	no := false
	c, err := NewClient(ClientOptions{
		Name: "broker", Broker: config.Broker{URL: "tcp://broker", Probe: &no}, Filters: []string{everything}, ProbeBelow: below,
		StateDir: t.TempDir(), Sink: newBook().sink,
	})
	require.NoError(t, err)
	require.Empty(t, c.prober.topic)
}

func TestWhereProbesGo(t *testing.T) {
	for _, row := range []struct{ user, id, want string }{
		{"dwindle", "dwindle-00", below + "/dwindle/probe"},
		{"", "dwindle-00", below + "/dwindle-00/probe"},
		{"a/b", "dwindle-00", below + "/dwindle-00/probe"},
		{"a+", "#", below + "/dwindle/probe"},
	} {
		p := newProber(below, row.user, row.id)
		require.Equal(t, row.want, p.topic, "%q %q", row.user, row.id)
		require.True(t, isProbe(below, p.topic, []byte(p.next())))
	}
	for _, topic := range []string{below + "/probe", below + "//probe", below + "/a/b/probe", below + "/a/run", "lube/v1/riversidex/a/probe", "probe", "/probe"} {
		require.False(t, isProbe(below, topic, []byte(probeMark+"1")), topic)
	}
	require.False(t, isProbe(below, below+"/a/probe", []byte(`{"celsius":60}`)), "a device may call something a probe")
	require.False(t, isProbe("", "/a/probe", []byte(probeMark)))
}

func TestProbesOfOthersAreNotStored(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	c.opt.ProbeBelow = below
	running(t, c.Run)
	subscribed(t, checks)
	load(t, brokertest.LoadOptions{
		Addr: broker.Addr, Messages: 2, Publishers: 1,
		Topic:   func(_, i int) string { return below + []string{"/standby/probe", "/d/pulse"}[i] },
		Payload: func(_, i int) []byte { return []byte(fmt.Sprint(probeMark, i)) },
	})
	eventually(t, "the other one arrives", func() bool { return len(b.all()) == 1 })
	require.Equal(t, below+"/d/pulse", b.all()[0].Topic)
}
