package mqtt

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

func newServer(t *testing.T, sink Sink) (s *Server, stop func()) {
	t.Helper()
	s, err := NewServer(ServerOptions{Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: sink, Health: health.New(nil), Log: discard()})
	require.NoError(t, err)
	return s, running(t, s.Run)
}

func TestEveryAcknowledgedMessageReachedTheSink(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	opt := brokertest.LoadOptions{Addr: s.Addr(), Messages: 4000}
	sent, err := brokertest.Load(ctx, opt)
	require.NoError(t, err)
	require.Equal(t, 4000, sent.Count)
	has := b.has()
	require.Equal(t, 4000, len(has))
	for p, acked := range sent.Acked {
		for i := range acked {
			key := [2]string{brokertest.DefaultTopic(p, i), string(brokertest.DefaultPayload(200, i))}
			require.Equal(t, 1, has[key], "message %d of publisher %d", i, p)
		}
	}
	for _, m := range b.all() {
		require.Equal(t, "embedded", m.Source)
		require.False(t, m.Retained)
		require.Equal(t, time.UTC, m.Received.Location())
	}
}

func TestNothingIsAcknowledgedBeforeItIsDone(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	for id := uint16(1); id <= 3; id++ {
		w.publish(id, 1, "lube/v1/riverside/d/pulse", fmt.Sprint(id))
	}
	eventually(t, "all three are handed over", func() bool { return h.count() == 3 })
	w.silent() // no answer yet, and pings are answered
	h.release(nil)
	for id := uint16(1); id <= 3; id++ {
		w.puback(id)
	}
}

func TestARefusedMessageIsNotAcknowledgedAndTheClientGetsToSendAgain(t *testing.T) {
	b := newBook()
	b.answerWith(func(m reading.Message) { m.Done(errNotNow) })
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	w.ended()
	b.answerWith(nil)
	w = dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	w.puback(1)
}

func TestASinkThatRefusesIsLikeARefusedMessage(t *testing.T) {
	s, _ := newServer(t, func(context.Context, reading.Message) error { return errNotNow })
	w := dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	w.ended()
}

func TestASecondCopyUnderOneIDSharesTheAnswer(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.MessageID, p.Qos, p.TopicName, p.Payload = 7, 1, "lube/v1/riverside/d/pulse", []byte("x")
	w.send(p)
	p.Dup = true
	w.send(p)
	eventually(t, "both are handed over", func() bool { return h.count() == 2 })
	require.False(t, b.all()[0].Dup)
	require.True(t, b.all()[1].Dup)
	h.mu.Lock()
	first, second := h.held[0], h.held[1]
	h.mu.Unlock()
	first.Done(nil)
	w.silent() // one copy is still unsafe
	second.Done(nil)
	second.Done(nil) // a second call changes nothing
	w.puback(7)
	w.silent() // one answer
}

func TestASlowSinkHoldsUpItsOwnConnectionOnly(t *testing.T) {
	var once sync.Once
	inside, release := make(chan struct{}), make(chan struct{})
	s, _ := newServer(t, func(ctx context.Context, m reading.Message) error {
		once.Do(func() { close(inside) })
		select { // a full queue
		case <-release:
		case <-ctx.Done():
			return ctx.Err()
		}
		m.Done(nil)
		return nil
	})
	blocked := dialWire(t, s.Addr(), "blocked", nil)
	blocked.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	<-inside
	other := dialWire(t, s.Addr(), "other", nil)
	other.silent()
	close(release)
	blocked.puback(1)
}

func TestOtherQualitiesOfService(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)

	w.publish(0, 0, "lube/v1/riverside/d/pulse", "zero")
	eventually(t, "QoS 0 is handed over", func() bool { return h.count() == 1 })
	h.release(nil)
	w.silent()

	w.publish(9, 2, "lube/v1/riverside/d/pulse", "two")
	eventually(t, "QoS 2 is handed over", func() bool { return h.count() == 1 })
	w.silent()
	h.release(nil)
	rec, ok := w.read().(*packets.PubrecPacket)
	require.True(t, ok)
	require.Equal(t, uint16(9), rec.MessageID)
	rel := packets.NewControlPacket(packets.Pubrel).(*packets.PubrelPacket)
	rel.MessageID = 9
	w.send(rel)
	comp, ok := w.read().(*packets.PubcompPacket)
	require.True(t, ok)
	require.Equal(t, uint16(9), comp.MessageID)
	require.Equal(t, []string{"zero", "two"}, b.payloads())
}

func TestMQTT5(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	conn, err := net.Dial("tcp", s.Addr())
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.SetDeadline(time.Now().Add(patience)))
	exchange := func(send string, answer int) string {
		_, err := conn.Write([]byte(send))
		require.NoError(t, err)
		got := make([]byte, answer)
		_, err = io.ReadFull(conn, got)
		require.NoError(t, err)
		return string(got)
	}
	// CONNECT (MQTT 5.0, 3.1): clean start, 60 s, no properties, client id d.
	hello := exchange("\x10\x0e\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x01d", 2)
	require.Equal(t, byte(0x20), hello[0])
	rest := exchange("", int(hello[1]))
	require.Equal(t, byte(0), rest[1], "accepted")
	require.Contains(t, rest, "\x24\x01", "maximum QoS (3.2.2.3.4) is 1")

	topic := "\x00\x0flube/v1/s/d/run"
	ack := exchange("\x32\x15"+topic+"\x00\x07\x00x", 4)
	require.Equal(t, "\x40\x02\x00\x07", ack)
	require.Equal(t, []string{"x"}, b.payloads())

	// QoS 2 after having been told: the connection ends, nothing is stored.
	_, err = conn.Write([]byte("\x34\x15" + topic + "\x00\x08\x00y"))
	require.NoError(t, err)
	_, err = io.Copy(io.Discard, conn)
	var timeout net.Error
	require.False(t, errors.As(err, &timeout) && timeout.Timeout(), "still open")
	require.Equal(t, []string{"x"}, b.payloads())
}

func TestOtherTopicsPassAndAreNotStored(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	for i, topic := range []string{"house/light", "lube/v1x/riverside/d/pulse", "lube/v1", "$SYS/me"} {
		w.publish(uint16(2*i+1), 1, topic, "x")
		w.puback(uint16(2*i + 1))
		w.publish(uint16(2*i+2), 2, topic, "x")
		require.IsType(t, &packets.PubrecPacket{}, w.read())
	}
	w.silent()
	require.Equal(t, 0, len(b.all()))
}

func TestWithoutAPrefixAllTopicsAreTaken(t *testing.T) {
	b := newBook()
	s, err := NewServer(ServerOptions{Listen: "127.0.0.1:0", Sink: b.sink})
	require.NoError(t, err)
	running(t, s.Run)
	w := dialWire(t, s.Addr(), "d", nil)
	for id, topic := range []string{"a", "$own/b", "c/d"} {
		w.publish(uint16(id+1), 1, topic, topic)
		w.puback(uint16(id + 1))
	}
	require.Equal(t, []string{"a", "c/d"}, b.payloads())
}

func TestTroubleWithAcceptingIsSaid(t *testing.T) {
	checks := health.New(nil)
	s, err := NewServer(ServerOptions{Listen: "127.0.0.1:0", Sink: newBook().sink, Health: checks})
	require.NoError(t, err)
	defer s.Close()
	s.trouble(errNotNow)
	require.Equal(t, health.Bad, check(checks, checkServer).Level)
	require.Contains(t, check(checks, checkServer).What, "not now")
	s.trouble(nil)
	require.Equal(t, health.Ok, check(checks, checkServer).Level)
}

func TestLocalSubscribersSeeAMessageAfterItsCommit(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, _ := newServer(t, b.sink)
	look := dialWire(t, s.Addr(), "look", nil)
	sub := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	sub.MessageID, sub.Topics, sub.Qoss = 1, []string{"lube/v1/#"}, []byte{0}
	look.send(sub)
	require.IsType(t, &packets.SubackPacket{}, look.read())

	w := dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	eventually(t, "it is handed over", func() bool { return h.count() == 1 })
	look.silent()
	h.release(nil)
	w.puback(1)
	seen, ok := look.read().(*packets.PublishPacket)
	require.True(t, ok)
	require.Equal(t, "lube/v1/riverside/d/pulse", seen.TopicName)
	require.Equal(t, "x", string(seen.Payload))
	require.Equal(t, 1, len(b.all()), "what is passed on does not come back")
}

func TestALastWillIsHandedOver(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", func(c *packets.ConnectPacket) {
		c.WillFlag, c.WillQos, c.WillRetain = true, 2, true
		c.WillTopic, c.WillMessage = "lube/v1/riverside/d/status", []byte(`{"online":false}`)
	})
	require.NoError(t, w.conn.Close())
	eventually(t, "the will arrives", func() bool { return len(b.all()) == 1 })
	require.Equal(t, `{"online":false}`, b.payloads()[0])
}

func TestAnEmptyLastWillKeepsNobodyOut(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", func(c *packets.ConnectPacket) {
		c.WillFlag, c.WillQos, c.WillTopic = true, 1, "lube/v1/riverside/d/status"
	})
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	w.puback(1)
}

func TestTooLargeAPacketEndsItsConnectionOnly(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	other := dialWire(t, s.Addr(), "other", nil)
	w := dialWire(t, s.Addr(), "d", nil)
	// A publish that claims 256 MiB - 1, the most that MQTT can express.
	_, err := w.conn.Write([]byte{0x32, 0xff, 0xff, 0xff, 0x7f})
	require.NoError(t, err)
	w.ended()
	other.publish(1, 1, "lube/v1/riverside/d/pulse", strings.Repeat("x", 200<<10))
	other.puback(1)
}

func TestAStopCommitsWhatWasHandedOver(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, stop := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	silent, err := net.Dial("tcp", s.Addr()) // never introduces itself
	require.NoError(t, err)
	defer silent.Close()
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	eventually(t, "it is handed over", func() bool { return h.count() == 1 })

	stopped := make(chan struct{})
	go func() { defer close(stopped); stop() }()
	eventually(t, "it takes no more", func() bool { return s.taking.Err() != nil })
	w.publish(2, 1, "lube/v1/riverside/d/pulse", "late")
	h.release(nil)
	<-stopped
	w.puback(1)
	w.ended()
	require.Equal(t, []string{"x"}, b.payloads())
	_, err = net.Dial("tcp", s.Addr())
	require.Error(t, err)
}

func TestAClientThatIsGoneGetsNoAnswerAndDoesNoHarm(t *testing.T) {
	b, h := newBook(), &hold{}
	b.answerWith(h.keep)
	s, _ := newServer(t, b.sink)
	w := dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	eventually(t, "it is handed over", func() bool { return h.count() == 1 })
	require.NoError(t, w.conn.Close())
	eventually(t, "the broker has noticed", func() bool { return s.broker.Clients.Len() == 1 }) // the inline one
	h.release(nil)
	again := dialWire(t, s.Addr(), "d", nil)
	again.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	eventually(t, "it is handed over again", func() bool { return h.count() == 1 })
	again.silent() // the old answer was not for this connection
	h.release(nil)
	again.puback(1)
}

func TestOnlyLoopbackIsServed(t *testing.T) {
	for _, listen := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:1883", "example.net:1883", "127.0.0.1"} {
		_, err := NewServer(ServerOptions{Listen: listen, Sink: newBook().sink})
		require.ErrorContains(t, err, "try: ", listen)
	}
	for _, listen := range []string{"127.0.0.1:0", "127.0.0.9:0", "localhost:0"} {
		s, err := NewServer(ServerOptions{Listen: listen, Sink: newBook().sink})
		require.NoError(t, err, listen)
		require.NoError(t, s.Close())
	}
	_, err := NewServer(ServerOptions{Listen: "127.0.0.1:0"})
	require.ErrorContains(t, err, "no sink")
}

func TestAPortThatIsTakenIsSaidToBe(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	_, err = NewServer(ServerOptions{Listen: l.Addr().String(), Sink: newBook().sink})
	require.ErrorContains(t, err, l.Addr().String())
	require.ErrorContains(t, err, "another port")
}

func TestTheLibrarysTalkIsKeptToDebugLevel(t *testing.T) {
	for level, talks := range map[slog.Level]bool{slog.LevelInfo: false, slog.LevelDebug: true} {
		var out safeBuffer
		s, err := NewServer(ServerOptions{
			Listen: "127.0.0.1:0", Sink: newBook().sink, Log: slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: level})),
		})
		require.NoError(t, err)
		stop := running(t, s.Run)
		w := dialWire(t, s.Addr(), "d", nil)
		_, err = w.conn.Write([]byte("this is no packet")) // which the library warns of
		require.NoError(t, err)
		w.ended()
		stop()
		require.Equal(t, talks, strings.Contains(out.String(), "mochi"), out.String())
		require.NotContains(t, out.String(), "level=WARN")
		require.Contains(t, out.String(), "embedded broker listens")
	}
}

func TestAServerRunsOnce(t *testing.T) {
	s, stop := newServer(t, newBook().sink)
	eventually(t, "it runs", s.ran.Load)
	require.ErrorContains(t, s.Run(context.Background()), "ran before")
	require.NoError(t, s.Close(), "Run closes")
	stop()
}

// Somebody else's client may probe us; that is no message of a device.
func TestAProbeOfAnotherClientPassesAndIsNotStored(t *testing.T) {
	b := newBook()
	s, err := NewServer(ServerOptions{
		Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: b.sink, Health: health.New(nil), Log: discard(),
		Site: func() *config.Site { return &config.Site{ID: "riverside"} },
	})
	require.NoError(t, err)
	running(t, s.Run)
	p := newProber(below, "", "d")
	w := dialWire(t, s.Addr(), "d", nil)
	w.publish(1, 1, p.topic, p.next())
	w.puback(1)
	w.publish(2, 1, "lube/v1/riverside/d/pulse", "x")
	w.puback(2)
	require.Equal(t, []string{"x"}, b.payloads())
}
