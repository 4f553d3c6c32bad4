package badnet

import (
	"bytes"
	"errors"
	"io"
	"net"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// echo is a server that sends back what it gets.
func echo(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() { defer conn.Close(); _, _ = io.Copy(conn, conn) }()
		}
	}()
	t.Cleanup(func() { _ = l.Close() })
	return l.Addr().String()
}

func dial(t *testing.T, p *Proxy) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", p.Addr)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func back(t *testing.T, conn net.Conn, text []byte) {
	t.Helper()
	_, err := conn.Write(text)
	require.NoError(t, err)
	got := make([]byte, len(text))
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Second)))
	_, err = io.ReadFull(conn, got)
	require.NoError(t, err)
	require.Equal(t, text, got)
}

// nothing requires that nothing comes for a moment.
func nothing(t *testing.T, conn net.Conn) {
	t.Helper()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(100*time.Millisecond)))
	_, err := conn.Read(make([]byte, 1))
	var timeout net.Error
	require.True(t, errors.As(err, &timeout) && timeout.Timeout(), "%v", err)
}

func TestBytesPassWhole(t *testing.T) {
	text := bytes.Repeat([]byte("0123456789"), 2000)
	for name, f := range map[string]Fault{
		"none": {}, "latency": {Latency: 5 * time.Millisecond, Jitter: 4 * time.Millisecond}, "slices": {Slice: 1}, "slow": {BytesPerSecond: 200_000},
	} {
		t.Run(name, func(t *testing.T) {
			p := Start(t, echo(t))
			p.Set(f)
			back(t, dial(t, p), text)
			require.Equal(t, 1, p.Connections())
		})
	}
}

func TestBandwidthIsBounded(t *testing.T) {
	p := Start(t, echo(t))
	p.Set(Fault{BytesPerSecond: 1000})
	began := time.Now()
	back(t, dial(t, p), make([]byte, 200))
	require.GreaterOrEqual(t, time.Since(began), 200*time.Millisecond)
}

func TestStandingStillAndGoingOn(t *testing.T) {
	p := Start(t, echo(t))
	conn := dial(t, p)
	back(t, conn, []byte("a"))
	p.Set(Fault{Still: true})
	_, err := conn.Write([]byte("b"))
	require.NoError(t, err)
	nothing(t, conn)
	p.Set(Fault{})
	got := make([]byte, 1)
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Second)))
	_, err = io.ReadFull(conn, got)
	require.NoError(t, err)
	require.Equal(t, "b", string(got))
}

func TestAReset(t *testing.T) {
	p := Start(t, echo(t))
	conn := dial(t, p)
	back(t, conn, []byte("a"))
	p.Reset()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Second)))
	_, err := conn.Read(make([]byte, 1))
	require.ErrorIs(t, err, syscall.ECONNRESET)
}

func TestHalfOpen(t *testing.T) {
	p := Start(t, echo(t))
	conn := dial(t, p)
	back(t, conn, []byte("a"))
	p.HalfOpen()
	for range 100 {
		_, err := conn.Write(make([]byte, 64<<10))
		require.NoError(t, err, "it is swallowed")
	}
	nothing(t, conn)
	back(t, dial(t, p), []byte("a new one works"))
}

func TestAnOrderlyEndPassesOn(t *testing.T) {
	p := Start(t, echo(t))
	conn := dial(t, p)
	_, err := conn.Write([]byte("last words"))
	require.NoError(t, err)
	require.NoError(t, conn.(*net.TCPConn).CloseWrite())
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Second)))
	got, err := io.ReadAll(conn)
	require.NoError(t, err)
	require.Equal(t, "last words", string(got))
}

func TestNobodyBehindIt(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	p := Start(t, l.Addr().String())
	conn, err := net.Dial("tcp", p.Addr)
	if err == nil { // the reset may come before the system's call returns
		defer conn.Close()
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Second)))
		_, err = conn.Read(make([]byte, 1))
	}
	require.ErrorIs(t, err, syscall.ECONNRESET)
	require.Zero(t, p.Connections())
}
