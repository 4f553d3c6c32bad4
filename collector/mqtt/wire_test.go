package mqtt

import (
	"bytes"
	"errors"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// wire speaks MQTT packet by packet, for what a library would not do.
type wire struct {
	t    *testing.T
	conn net.Conn
}

// dialWire connects under a client id and returns the session's end.
func dialWire(t *testing.T, addr, id string, change func(*packets.ConnectPacket)) *wire {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	w := &wire{t, conn}
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion = "MQTT", 4
	c.ClientIdentifier, c.CleanSession, c.Keepalive = id, true, 60
	if change != nil {
		change(c)
	}
	w.send(c)
	ack := w.read().(*packets.ConnackPacket)
	require.Equal(t, byte(packets.Accepted), ack.ReturnCode)
	return w
}

func (w *wire) send(p packets.ControlPacket) {
	w.t.Helper()
	var b bytes.Buffer
	require.NoError(w.t, p.Write(&b))
	_, err := w.conn.Write(b.Bytes())
	require.NoError(w.t, err)
}

func (w *wire) publish(id uint16, qos byte, topic, payload string) {
	w.t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.MessageID, p.Qos, p.TopicName, p.Payload = id, qos, topic, []byte(payload)
	w.send(p)
}

func (w *wire) read() packets.ControlPacket {
	w.t.Helper()
	require.NoError(w.t, w.conn.SetReadDeadline(time.Now().Add(patience)))
	p, err := packets.ReadPacket(w.conn)
	require.NoError(w.t, err)
	return p
}

// silent requires that nothing has come although a ping was answered: the
// answer to a ping follows whatever was sent before it.
func (w *wire) silent() {
	w.t.Helper()
	w.send(packets.NewControlPacket(packets.Pingreq))
	require.IsType(w.t, &packets.PingrespPacket{}, w.read())
}

func (w *wire) puback(id uint16) {
	w.t.Helper()
	ack, ok := w.read().(*packets.PubackPacket)
	require.True(w.t, ok)
	require.Equal(w.t, id, ack.MessageID)
}

// ended requires that the other side has closed the connection. The broker
// says goodbye first.
func (w *wire) ended() {
	w.t.Helper()
	require.NoError(w.t, w.conn.SetReadDeadline(time.Now().Add(patience)))
	for {
		p, err := packets.ReadPacket(w.conn)
		if err == nil {
			require.IsType(w.t, &packets.DisconnectPacket{}, p)
			continue
		}
		var ne net.Error
		require.False(w.t, errors.As(err, &ne) && ne.Timeout(), "the connection is still open")
		return
	}
}
