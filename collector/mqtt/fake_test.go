package mqtt

import (
	"bytes"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// fake is the broker's side of a connection, played by a test.
type fake struct {
	net.Conn
	t *testing.T
}

// fakeBroker accepts connections and plays each of them. It greets and grants
// by itself; whatever else a client sends goes to got.
func fakeBroker(t *testing.T, l net.Listener, present bool, begin func(*fake), got func(*fake, packets.ControlPacket)) {
	t.Helper()
	var wg sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	wg.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, conn)
			mu.Unlock()
			wg.Go(func() {
				defer conn.Close()
				f := &fake{conn, t}
				for {
					p, err := packets.ReadPacket(conn)
					if err != nil {
						return
					}
					switch p := p.(type) {
					case *packets.ConnectPacket:
						ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
						ack.SessionPresent = present
						f.send(ack)
						if begin != nil {
							begin(f)
						}
					case *packets.SubscribePacket:
						ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
						ack.MessageID = p.MessageID
						ack.ReturnCodes = bytes.Repeat([]byte{1}, len(p.Topics))
						f.send(ack)
					case *packets.PingreqPacket:
						f.send(packets.NewControlPacket(packets.Pingresp))
					}
					if got != nil {
						got(f, p)
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		mu.Lock()
		for _, conn := range open {
			_ = conn.Close()
		}
		mu.Unlock()
		wg.Wait()
	})
}

// send ignores a client that has gone, as a broker does.
func (f *fake) send(p packets.ControlPacket) {
	var b bytes.Buffer
	if p.Write(&b) == nil {
		_, _ = f.Write(b.Bytes())
	}
}

func (f *fake) publish(id uint16, topic, payload string) {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.MessageID, p.Qos, p.TopicName, p.Payload = id, 1, topic, []byte(payload)
	f.send(p)
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	return l
}
