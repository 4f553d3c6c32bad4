package mqtt

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// helloTime bounds how long an accepted connection may stay silent before its
// first packet.
const helloTime = 10 * time.Second

// maxConnections bounds the connections with those that have not yet said who
// they are.
const maxConnections = maxClients + 1000

// loopback opens a listener at address, which must name a loopback address: for
// a broker that lacks TLS, or asks nobody who they are.
func loopback(address string) (net.Listener, error) {
	refuse := func(why string) error {
		return fmt.Errorf("open the embedded broker at %q: %s\n"+
			"try: listen: 127.0.0.1:1883; for devices on a network give tls: and accounts_file: too, or use a broker that has both and name it under connections.broker", address, why)
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, refuse("not an address with a port")
	}
	if host != "localhost" {
		ip := net.ParseIP(host)
		if ip == nil || !ip.IsLoopback() {
			return nil, refuse("it is not a loopback address, and this broker lacks TLS or accounts")
		}
	}
	l, err := anywhere(address)
	if err != nil {
		return nil, err
	}
	if a, ok := l.Addr().(*net.TCPAddr); !ok || !a.IP.IsLoopback() {
		return nil, errors.Join(refuse(fmt.Sprintf("it leads to %s", l.Addr())), l.Close())
	}
	return l, nil
}

// anywhere opens a listener at any address.
func anywhere(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("open the embedded broker at %q: %w\ntry: another port under connections.embedded_broker, or stop what holds this one", address, err)
	}
	return l, nil
}

// listener accepts connections for the broker and owns them: its Close ends
// each, also those that have not introduced themselves, and waits for their
// goroutines.
type listener struct {
	net.Listener
	trouble   func(error)          // told of each failure to accept, with nil when it works again
	handshake func(net.Conn) error // before the first packet

	mu     sync.Mutex
	conns  map[*peerConn]struct{}
	closed bool
	wg     sync.WaitGroup
}

var _ listeners.Listener = (*listener)(nil)

// ID implements listeners.Listener.
func (l *listener) ID() string { return "loopback" }

// Address implements listeners.Listener.
func (l *listener) Address() string { return l.Addr().String() }

// Protocol implements listeners.Listener.
func (l *listener) Protocol() string { return "tcp" }

// Init implements listeners.Listener.
func (l *listener) Init(*slog.Logger) error { return nil }

// Serve implements listeners.Listener. Unlike a plain accept loop it goes on
// after a failure, such as no free file descriptor.
func (l *listener) Serve(establish listeners.EstablishFn) {
	const pause = 100 * time.Millisecond
	failed := false
	for {
		conn, err := l.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil:
			failed = true
			l.trouble(err)
			time.Sleep(pause)
			continue
		case failed:
			failed = false
			l.trouble(nil)
		}
		_ = conn.SetDeadline(time.Now().Add(helloTime))
		c := &peerConn{Conn: conn}
		l.mu.Lock()
		if l.closed {
			l.mu.Unlock()
			_ = conn.Close()
			return
		}
		if len(l.conns) >= maxConnections {
			l.mu.Unlock()
			_ = conn.Close()
			continue
		}
		l.conns[c] = struct{}{}
		l.wg.Add(1)
		l.mu.Unlock()
		go func() {
			defer l.wg.Done()
			if l.handshake(conn) == nil {
				// The error is why the connection ended; the broker logged it.
				_ = establish(l.ID(), c)
			}
			_ = c.Close()
			l.mu.Lock()
			delete(l.conns, c)
			l.mu.Unlock()
		}()
	}
}

// Close implements listeners.Listener.
func (l *listener) Close(closeClients listeners.CloseFn) {
	_ = l.Listener.Close()
	closeClients(l.ID())
	l.mu.Lock()
	l.closed = true
	for c := range l.conns {
		_ = c.Close()
	}
	l.mu.Unlock()
	l.wg.Wait()
}

// peerConn gives every write a deadline of its own. The broker's deadline,
// meant to notice silent clients, covers reads only: otherwise an
// acknowledgement that follows a slow commit would find it expired.
type peerConn struct{ net.Conn }

// SetDeadline implements net.Conn for reads only.
func (c *peerConn) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }

// Write implements net.Conn.
func (c *peerConn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}
