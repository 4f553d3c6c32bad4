// Package badnet is a TCP proxy for tests that does to connections what bad
// networks do: delay, trickle, cut bytes apart, stand still, reset, or swallow
// everything without a word. A fault can be set and lifted while connections are
// open.
//
// It is support for tests and imported by nothing else. Start with [Start].
package badnet

import (
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"
)

// Fault is what happens to bytes in either direction. The zero value passes
// them on.
type Fault struct {
	// Latency delays each piece, by up to Jitter more or less. The order stays.
	Latency, Jitter time.Duration
	// BytesPerSecond bounds each direction of each connection.
	BytesPerSecond int
	// Slice is how many bytes are written at once.
	Slice int
	// Still lets nothing pass, while connections stay open and new ones are
	// accepted.
	Still bool
}

// Proxy stands between clients and one server.
type Proxy struct {
	Addr string // host:port on loopback

	upstream string
	listener net.Listener
	wg       sync.WaitGroup

	mu      sync.Mutex
	fault   Fault
	changed chan struct{} // closed and replaced when fault changes
	conns   map[*pipe]struct{}
	closed  bool
	total   int
}

// pipe is one client's connection with its way on.
type pipe struct {
	client, server *net.TCPConn
	over           chan struct{}
	once           sync.Once
	mu             sync.Mutex
	swallow        bool
}

// Start begins to serve; it ends with the test.
func Start(t testing.TB, upstream string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatalf("start a proxy: %v", err)
	}
	p := &Proxy{Addr: l.Addr().String(), upstream: upstream, listener: l, changed: make(chan struct{}), conns: map[*pipe]struct{}{}}
	p.wg.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

// Set puts a fault in force for all connections, new ones too.
func (p *Proxy) Set(f Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault = f
	close(p.changed)
	p.changed = make(chan struct{})
}

// Reset ends all connections at once with a reset in both directions.
func (p *Proxy) Reset() {
	for _, c := range p.all() {
		_ = c.client.SetLinger(0)
		_ = c.server.SetLinger(0)
		c.end()
	}
}

// HalfOpen makes the network swallow what clients of open connections send. The
// server's side is closed; the client is not told. New connections work.
func (p *Proxy) HalfOpen() {
	for _, c := range p.all() {
		c.mu.Lock()
		c.swallow = true
		c.mu.Unlock()
		_ = c.server.Close()
	}
}

// Connections counts the connections that were made so far.
func (p *Proxy) Connections() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.total
}

func (p *Proxy) all() []*pipe {
	p.mu.Lock()
	defer p.mu.Unlock()
	var all []*pipe
	for c := range p.conns {
		all = append(all, c)
	}
	return all
}

func (p *Proxy) close() {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	_ = p.listener.Close()
	for _, c := range p.all() {
		c.end()
	}
	p.wg.Wait()
}

func (p *Proxy) accept() {
	for {
		conn, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.wg.Go(func() { p.serve(conn.(*net.TCPConn)) })
	}
}

func (p *Proxy) serve(client *net.TCPConn) {
	up, err := net.DialTimeout("tcp", p.upstream, 5*time.Second)
	if err != nil {
		_ = client.SetLinger(0)
		_ = client.Close()
		return
	}
	c := &pipe{client: client, server: up.(*net.TCPConn), over: make(chan struct{})}
	defer c.end()
	p.mu.Lock()
	p.total++
	p.conns[c] = struct{}{}
	closed := p.closed
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		delete(p.conns, c)
		p.mu.Unlock()
	}()
	if closed {
		return
	}
	var both sync.WaitGroup
	both.Go(func() { p.carry(c, c.client, c.server) })
	both.Go(func() { p.carry(c, c.server, c.client) })
	both.Wait()
}

func (c *pipe) end() {
	c.once.Do(func() {
		close(c.over)
		_ = c.client.Close()
		_ = c.server.Close()
	})
}

func (c *pipe) swallows() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.swallow
}

// piece is some bytes and when they are due.
type piece struct {
	bytes []byte
	due   time.Time
}

// carry moves bytes in one direction until either end is gone.
func (p *Proxy) carry(c *pipe, from, to *net.TCPConn) {
	pieces := make(chan piece, 256)
	var writer sync.WaitGroup
	writer.Go(func() {
		for x := range pieces {
			if !p.deliver(c, to, x) && !c.swallows() {
				c.end()
			}
		}
	})
	defer writer.Wait()
	defer close(pieces)
	for {
		buf := make([]byte, 16<<10)
		n, err := from.Read(buf)
		if n > 0 && !c.swallows() {
			select {
			case pieces <- piece{buf[:n], time.Now().Add(p.delay())}:
			case <-c.over:
			}
		}
		if err == nil {
			continue
		}
		if c.swallows() && from == c.server {
			return // which the client is not told
		}
		if errors.Is(err, io.EOF) && !c.swallows() {
			select { // an orderly end, after what is under way
			case pieces <- piece{due: time.Now()}:
			case <-c.over:
			}
			return
		}
		c.end()
		return
	}
}

func (p *Proxy) delay() time.Duration {
	f, _ := p.now()
	d := f.Latency
	if f.Jitter > 0 {
		d += rand.N(2*f.Jitter) - f.Jitter
	}
	return max(d, 0)
}

func (p *Proxy) now() (Fault, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.fault, p.changed
}

// deliver writes one piece as the fault in force has it.
func (p *Proxy) deliver(c *pipe, to *net.TCPConn, x piece) bool {
	if !c.pause(time.Until(x.due)) {
		return false
	}
	if x.bytes == nil {
		return to.CloseWrite() == nil
	}
	for len(x.bytes) > 0 {
		f, changed := p.now()
		if f.Still {
			select {
			case <-changed:
			case <-c.over:
				return false
			}
			continue
		}
		n := len(x.bytes)
		if f.Slice > 0 {
			n = min(n, f.Slice)
		}
		if f.BytesPerSecond > 0 {
			n = min(n, max(1, f.BytesPerSecond/20))
			if !c.pause(time.Duration(n) * time.Second / time.Duration(f.BytesPerSecond)) {
				return false
			}
		}
		if _, err := to.Write(x.bytes[:n]); err != nil {
			return false
		}
		x.bytes = x.bytes[n:]
	}
	return true
}

// pause waits, and reports whether the connection is still there.
func (c *pipe) pause(d time.Duration) bool {
	if d <= 0 {
		return true
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-c.over:
		return false
	}
}
