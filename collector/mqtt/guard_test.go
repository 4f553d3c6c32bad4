package mqtt

import (
	"bytes"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// stream is a net.Conn that delivers fixed bytes.
type stream struct {
	net.Conn
	io.Reader
}

func (s stream) Read(b []byte) (int, error) { return s.Reader.Read(b) }
func (s stream) Close() error               { return nil }

// chunks reads at most n bytes at a time.
type chunks struct {
	r io.Reader
	n int
}

func (c chunks) Read(b []byte) (int, error) { return c.r.Read(b[:min(len(b), c.n)]) }

func TestPacketsWithinTheLimitPassUnchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in bytes.Buffer
		sizes := rapid.SliceOfN(rapid.IntRange(0, 20_000), 1, 20).Draw(t, "payload sizes")
		for _, size := range sizes {
			p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
			p.Qos, p.MessageID, p.TopicName, p.Payload = 1, 1, "a", make([]byte, size)
			require.NoError(t, p.Write(&in))
		}
		want := bytes.Clone(in.Bytes())
		step := rapid.IntRange(1, 5000).Draw(t, "bytes at a time")
		g := newGuard(stream{Reader: chunks{&in, step}}, 20_005, func(error) {})
		got, err := io.ReadAll(chunks{g, rapid.IntRange(1, 5000).Draw(t, "bytes read at a time")})
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestAPacketAboveTheLimitIsNeverBegun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 1<<20).Draw(t, "limit")
		size := rapid.IntRange(limit+1, 1<<28-1).Draw(t, "claimed size")
		before := rapid.IntRange(0, limit-1).Draw(t, "size of the one before")
		head := packets.FixedHeader{MessageType: packets.Publish, RemainingLength: before}
		var in bytes.Buffer
		in.Write(encodeHeader(head))
		in.Write(make([]byte, before))
		whole := in.Len()
		head.RemainingLength = size
		claim := encodeHeader(head)
		in.Write(claim)
		var reason error
		g := newGuard(stream{Reader: &in}, limit, func(err error) { reason = err })
		got, err := io.ReadAll(chunks{g, 1}) // as the library reads headers
		require.Less(t, len(got), whole+len(claim), "the length must stay incomplete")
		var big oversize
		require.True(t, errors.As(err, &big))
		require.Equal(t, limit, big.limit)
		require.ErrorAs(t, reason, &big)
	})
}

func TestALengthThatNeverEndsIsRefused(t *testing.T) {
	g := newGuard(stream{Reader: bytes.NewReader([]byte{0x30, 0x80, 0x80, 0x80, 0x80, 0x80, 0x00})}, 1<<20, func(error) {})
	_, err := io.ReadAll(g)
	require.ErrorIs(t, err, errLength)
}

// encodeHeader writes a type and a remaining length (MQTT 3.1.1, 2.2.3).
func encodeHeader(h packets.FixedHeader) []byte {
	b := []byte{h.MessageType << 4}
	n := h.RemainingLength
	for {
		d := byte(n % 128)
		if n /= 128; n > 0 {
			d |= 0x80
		}
		b = append(b, d)
		if n == 0 {
			return b
		}
	}
}

func TestASilentBrokerIsGivenUpInTime(t *testing.T) {
	l := listen(t)
	conn, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	far, err := l.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { _ = far.Close(); _ = l.Close() })
	var reason error
	g := newGuard(conn, 1<<20, func(err error) { reason = err })
	g.silence = 50 * time.Millisecond
	_, err = far.Write([]byte{0xd0, 0})
	require.NoError(t, err)
	_, err = io.ReadFull(g, make([]byte, 2))
	require.NoError(t, err)
	_, err = g.Read(make([]byte, 1))
	require.ErrorContains(t, err, "nothing has come from the broker for 50ms")
	require.Equal(t, err, reason)
}

func TestTheLibraryIsToldToPingInTime(t *testing.T) {
	require.Equal(t, 25*time.Second, libraryKeepAlive(30*time.Second))
	require.Equal(t, 2*time.Second, libraryKeepAlive(2*time.Second))
}
