package mqtt

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// These tests run against a real broker with the settings that we recommend.

func at(b *brokertest.Broker) config.Broker { return config.Broker{URL: "tcp://" + b.Addr} }

func load(t *testing.T, opt brokertest.LoadOptions) brokertest.Sent {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	sent, err := brokertest.Load(ctx, opt)
	require.NoError(t, err)
	return sent
}

// requireAll requires that everything a load was acknowledged for has reached
// the sink.
func requireAll(t *testing.T, b *book, sent brokertest.Sent) {
	t.Helper()
	eventually(t, "all arrives", func() bool { return len(b.has()) >= sent.Count })
	has := b.has()
	for p, acked := range sent.Acked {
		for i, ok := range acked {
			key := [2]string{brokertest.DefaultTopic(p, i), string(brokertest.DefaultPayload(200, i))}
			require.True(t, !ok || has[key] > 0, "message %d of publisher %d", i, p)
		}
	}
}

func TestMessagesSentWhileAwayArrive(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	dir, b := t.TempDir(), newBook()
	c, checks := newClient(t, dir, at(broker), b.sink)
	stop := running(t, c.Run)
	subscribed(t, checks)
	stop()

	sent := load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 3000})
	require.Equal(t, 3000, sent.Count)
	require.Equal(t, 0, len(b.all()))

	c, _ = newClient(t, dir, at(broker), b.sink)
	stop = running(t, c.Run)
	requireAll(t, b, sent)
	stop()

	// All of it was acknowledged: nothing comes a second time.
	again := newBook()
	c, checks = newClient(t, dir, at(broker), again.sink)
	running(t, c.Run)
	subscribed(t, checks)
	require.Equal(t, health.Ok, check(checks, "broker session").Level)
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 1})
	eventually(t, "a new one arrives", func() bool { return len(again.all()) > 0 })
	require.Equal(t, 1, len(again.all()))
}

func TestWhatWasNotTakenComesAgain(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	b.answerWith(func(m reading.Message) { m.Done(errNotNow) })
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	sent := load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 500})
	eventually(t, "it is tried twice", func() bool {
		for _, m := range b.all() {
			if m.Dup {
				return true
			}
		}
		return false
	})
	taken := newBook()
	b.answerWith(func(m reading.Message) { _ = taken.sink(context.Background(), m) })
	requireAll(t, taken, sent)
}

func TestAStopAcknowledgesWhatItHandedOver(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	dir, b, h := t.TempDir(), newBook(), &hold{}
	b.answerWith(h.keep)
	c, checks := newClient(t, dir, at(broker), b.sink)
	stop := running(t, c.Run)
	subscribed(t, checks)
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 50})
	eventually(t, "all is handed over", func() bool { return h.count() == 50 })
	stopped := make(chan struct{})
	go func() { defer close(stopped); stop() }()
	h.release(nil)
	<-stopped

	again := newBook()
	c, checks = newClient(t, dir, at(broker), again.sink)
	running(t, c.Run)
	subscribed(t, checks)
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 1, Topic: func(int, int) string { return "lube/v1/riverside/last/pulse" }})
	eventually(t, "the new one arrives", func() bool { return len(again.all()) > 0 })
	require.Equal(t, "lube/v1/riverside/last/pulse", again.all()[0].Topic)
}

func TestARestartOfTheBrokerLosesNothing(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)

	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	type result struct {
		sent brokertest.Sent
		err  error
	}
	done := make(chan result, 1)
	go func() {
		sent, err := brokertest.Load(ctx, brokertest.LoadOptions{Addr: broker.Addr, Messages: 20_000})
		done <- result{sent, err}
	}()
	for n := range 3 {
		eventually(t, "traffic flows", func() bool { return len(b.all()) > 1000*(n+1) })
		broker.Stop()
		broker.Again()
	}
	r := <-done
	require.NoError(t, r.err)
	requireAll(t, b, r.sent)
	require.Equal(t, health.Ok, check(checks, "broker session").Level)
}

func TestAKilledBrokerIsFoundAgain(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	broker.Kill()
	eventually(t, "the loss is said", func() bool { return check(checks, "broker connection").Level == health.Bad })
	broker.Again()
	eventually(t, "messages flow again", func() bool {
		load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 1, Publishers: 1})
		return len(b.all()) > 0
	})
	require.Equal(t, health.Ok, check(checks, "broker connection").Level)
	// What a killed broker had not stored is gone, and with it the session.
	require.Equal(t, health.Warn, check(checks, "broker session").Level)
}

func TestABrokerThatForgetsIsSaidTo(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "the session is noted", func() bool { _, err := os.Stat(c.id.path); return err == nil })
	broker.Stop()
	broker.Forget()
	broker.Again()
	eventually(t, "it is said", func() bool { return check(checks, "broker session").Level == health.Warn })
	require.Contains(t, check(checks, "broker session").What, "may be missing")
	// The subscription is made anew.
	eventually(t, "messages flow again", func() bool {
		load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 1, Publishers: 1})
		return len(b.all()) > 0
	})
}

func TestAPoisonousMessageIsNamedAndTheRestGoesOn(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	dir, b := t.TempDir(), newBook()
	c, checks := newClient(t, dir, at(broker), b.sink)
	c.limit = 100_000
	running(t, c.Run)
	subscribed(t, checks)
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 1, Size: 200_000})
	eventually(t, "it is named, again and again", func() bool {
		return strings.Contains(check(checks, "broker packet size").What, "2 times in a row")
	})
	require.Contains(t, check(checks, "broker packet size").What, "above the limit of 100000")
	require.Contains(t, check(checks, "broker packet size").Try, c.ClientID())
	require.Equal(t, 0, len(b.all()))
}

func TestTwoClientsOfOneIDAreNoticed(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	conf := at(broker)
	conf.ClientID = "one-and-the-same"
	first, checks := newClient(t, t.TempDir(), conf, newBook().sink)
	second, _ := newClient(t, t.TempDir(), conf, newBook().sink)
	running(t, first.Run)
	running(t, second.Run)
	eventually(t, "it is said", func() bool { return check(checks, "broker client id").Level == health.Bad })
	require.Contains(t, check(checks, "broker client id").What, "one-and-the-same is in use elsewhere")
}

func TestThePasswordIsReadForEachAttempt(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{
		Accounts: map[string]string{"dwindle": "r1ght-s3cret", "load-00": "x"},
		ACL:      "pattern write lube/v1/riverside/%u/#\nuser dwindle\ntopic read lube/v1/riverside/#\n",
	})
	dir, b := t.TempDir(), newBook()
	conf := at(broker)
	conf.Username, conf.PasswordFile = "dwindle", filepath.Join(dir, "password")
	c, checks := newClient(t, dir, conf, b.sink)
	var log safeBuffer
	c.opt.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	running(t, c.Run)
	eventually(t, "the missing file is named", func() bool {
		return strings.Contains(check(checks, "broker connection").What, "password_file")
	})
	require.NoError(t, os.WriteFile(conf.PasswordFile, []byte("wr0ng-s3cret\n"), 0o600))
	eventually(t, "the refusal is said", func() bool {
		return strings.Contains(check(checks, "broker connection").What, "refuses the account")
	})
	require.NoError(t, os.WriteFile(conf.PasswordFile, []byte("r1ght-s3cret\n"), 0o600))
	subscribed(t, checks)

	// A device may speak for itself and for nobody else.
	own := func(device string) brokertest.LoadOptions {
		return brokertest.LoadOptions{
			Addr: broker.Addr, Username: "load-00", Password: "x", Messages: 1, Publishers: 1,
			Topic: func(int, int) string { return "lube/v1/riverside/" + device + "/pulse" },
		}
	}
	load(t, own("load-01"))
	load(t, own("load-00"))
	eventually(t, "its own arrives", func() bool { return len(b.all()) > 0 })
	require.Equal(t, "lube/v1/riverside/load-00/pulse", b.all()[0].Topic)
	require.Contains(t, log.String(), "connected to the broker")
	require.NotContains(t, log.String()+fmt.Sprint(checks.List()), "s3cret")
}

// dynamicSecurity is the plugin of mosquitto that, unlike its access lists,
// refuses subscriptions.
const dynamicSecurity = "/usr/lib/*/mosquitto_dynamic_security.so"

func TestARefusedSubscriptionIsSaidAndTriedAgain(t *testing.T) {
	brokertest.Find(t)
	plugin, err := filepath.Glob(dynamicSecurity)
	require.NoError(t, err)
	require.NotEmpty(t, plugin, "the mosquitto package brings this plugin")
	rules := filepath.Join(t.TempDir(), "rules.json")
	require.NoError(t, os.WriteFile(rules, []byte(`{"defaultACLAccess":
		{"publishClientSend":true,"publishClientReceive":true,"subscribe":false,"unsubscribe":true}}`), 0o600))
	broker := brokertest.Start(t, brokertest.Options{Lines: []string{
		"plugin " + plugin[0], "plugin_opt_config_file " + rules,
	}})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	running(t, c.Run)
	eventually(t, "it is said", func() bool { return check(checks, "broker subscription").Level == health.Bad })
	got := check(checks, "broker subscription")
	require.Equal(t, "the broker refuses the subscription to "+everything, got.What)
	require.Contains(t, got.Try, "access list")
	require.Equal(t, health.Ok, check(checks, "broker connection").Level)

	broker.Stop()
	require.NoError(t, os.WriteFile(rules, []byte(`{"defaultACLAccess":
		{"publishClientSend":true,"publishClientReceive":true,"subscribe":true,"unsubscribe":true}}`), 0o600))
	broker.Again()
	subscribed(t, checks)
}

func TestTopicsNoLongerWantedAreGivenUp(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	dir := t.TempDir()
	c, checks := newClient(t, dir, at(broker), newBook().sink)
	c.opt.Filters = []string{"lube/v1/old/#", everything}
	stop := running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "they are noted", func() bool { id, err := loadIdentity(dir, "broker", ""); return err == nil && len(id.Filters) == 2 })
	stop()

	b := newBook()
	c, checks = newClient(t, dir, at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Publishers: 1, Messages: 2, Topic: func(_, i int) string {
		return []string{"lube/v1/old/d/pulse", "lube/v1/riverside/d/pulse"}[i]
	}})
	eventually(t, "the wanted one arrives", func() bool { return len(b.all()) > 0 })
	require.Equal(t, "lube/v1/riverside/d/pulse", b.all()[0].Topic)
}

func TestRetainedMessagesAreMarked(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	w := dialWire(t, broker.Addr, "d", nil)
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.MessageID, p.Qos, p.Retain, p.TopicName, p.Payload = 1, 1, true, "lube/v1/riverside/d/pulse", []byte("old")
	w.send(p)
	w.puback(1)
	b := newBook()
	dir := t.TempDir()
	c, checks := newClient(t, dir, at(broker), b.sink)
	stop := running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "it arrives", func() bool { return len(b.all()) == 1 })
	require.True(t, b.all()[0].Retained)
	require.Equal(t, "broker", b.all()[0].Source)

	// The broker replays it at each subscription, and each time says so.
	stop()
	c, checks = newClient(t, dir, at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "it comes again", func() bool { return len(b.all()) == 2 })
	require.True(t, b.all()[1].Retained)
}

func TestManyMessagesWhileTheSinkIsSlow(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	slow := make(chan reading.Message, 10) // a short queue and a slow writer behind it
	done := make(chan struct{})
	go func() {
		defer close(done)
		for m := range slow {
			time.Sleep(100 * time.Microsecond)
			m.Done(nil)
		}
	}()
	b.answerWith(func(m reading.Message) { slow <- m })
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	stop := running(t, c.Run)
	subscribed(t, checks)
	sent := load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 2000})
	requireAll(t, b, sent)
	stop()
	close(slow)
	<-done
	require.Equal(t, 2000, len(b.all()), "one connection, no repetition")
}

// With a certificate for each client, mosquitto takes the common name for the
// account. Renewed files count from the next attempt on.
func TestAClientCertificateAtARealBroker(t *testing.T) {
	a, stranger := newAuthority(t), newAuthority(t)
	a.make("server", nil)
	a.make("dwindle", nil)
	stranger.make("dwindle", nil)
	broker := brokertest.Start(t, brokertest.Options{
		ACL: "user dwindle\ntopic readwrite lube/v1/riverside/#\n",
		Lines: []string{
			"cafile " + a.file("authority"), "certfile " + a.file("server"), "keyfile " + a.file("server-key"),
			"require_certificate true", "use_identity_as_username true", "allow_anonymous false",
		},
	})
	dir := t.TempDir()
	use := func(from *authority, name string) {
		for _, part := range []string{"", "-key"} {
			text, err := os.ReadFile(from.file(name + part))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, "client"+part+".pem"), text, 0o600))
		}
	}
	use(stranger, "dwindle")
	c, checks := probing(t, dir, config.Broker{
		URL: "ssl://" + broker.Addr, CAFile: a.file("authority"),
		CertFile: filepath.Join(dir, "client.pem"), KeyFile: filepath.Join(dir, "client-key.pem"),
	}, newBook().sink)
	running(t, c.Run)
	eventually(t, "it is refused", func() bool { return check(checks, "broker connection").Level == health.Bad })
	use(a, "dwindle")
	subscribed(t, checks)
	eventually(t, "what it publishes comes back", func() bool { return c.Stats().ProbesBack > 0 })

	// The host name counts: a certificate for another address is refused.
	c2, checks := newClient(t, t.TempDir(), config.Broker{
		URL: "ssl://" + strings.Replace(broker.Addr, "127.0.0.1", "localhost", 1), CAFile: a.file("authority"),
		CertFile: filepath.Join(dir, "client.pem"), KeyFile: filepath.Join(dir, "client-key.pem"),
	}, newBook().sink)
	running(t, c2.Run)
	eventually(t, "it is refused", func() bool { return strings.Contains(check(checks, "broker connection").What, "certificate") })
}
