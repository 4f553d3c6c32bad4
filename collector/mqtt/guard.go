package mqtt

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// maxInboundBytes bounds one packet from a broker. The library would allocate
// whatever a packet's header claims, up to 256 MiB, before the first byte of
// the body arrives.
const maxInboundBytes = 1 << 20

// partTime bounds the wait for a broker's own end of a connection.
const partTime = 2 * time.Second

// oversize is the reason for closing a connection whose next packet is too
// large. Its length was not read to the end, so it may be larger than bytes.
type oversize struct{ bytes, limit int }

func (o oversize) Error() string {
	return fmt.Sprintf("the broker sends a packet of at least %d bytes, above the limit of %d", o.bytes, o.limit)
}

// errLength is a remaining length of more than four bytes.
var errLength = errors.New("the broker sends a malformed packet length")

// guard is a connection to a broker that looks at packet headers before the
// library sees them, and gives every write a deadline. Its reads are
// buffered, since the library reads byte by byte.
type guard struct {
	net.Conn
	in    *bufio.Reader
	limit int
	ended func(error) // told once why the connection ended; the first reason counts
	once  sync.Once
	// silence is how long nothing may come; zero: for ever. The library looks at
	// its pings every five seconds only.
	silence time.Duration

	parting  atomic.Bool   // Close waits for the broker to close first
	finished chan struct{} // closed when no more can be read
	finish   sync.Once

	// Where in the stream the reader is; reader's goroutine only.
	state  guardState
	body   int // bytes left of the body
	shift  uint
	length int
}

type guardState byte

const (
	atType guardState = iota
	atLength
	inBody
)

func newGuard(conn net.Conn, limit int, ended func(error)) *guard {
	return &guard{Conn: conn, in: bufio.NewReaderSize(conn, 32<<10), limit: limit, ended: ended, finished: make(chan struct{})}
}

// Read implements net.Conn. It ends the connection instead of delivering the
// byte that completes a length above the limit.
func (g *guard) Read(b []byte) (int, error) {
	if g.silence > 0 && g.in.Buffered() == 0 {
		if err := g.SetReadDeadline(time.Now().Add(g.silence)); err != nil {
			return 0, g.end(err)
		}
	}
	n, err := g.in.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = fmt.Errorf("nothing has come from the broker for %v, not even the answer to a ping", g.silence)
	}
	if err != nil {
		g.finish.Do(func() { close(g.finished) })
		return n, g.end(err)
	}
	for i := 0; i < n; {
		switch g.state {
		case atType:
			g.state, g.shift, g.length = atLength, 0, 0
			i++
		case atLength:
			g.length |= int(b[i]&0x7f) << g.shift
			more := b[i]&0x80 != 0
			g.shift += 7
			switch {
			case g.length > g.limit:
				return 0, g.end(oversize{g.length, g.limit})
			case more && g.shift > 21:
				return 0, g.end(errLength)
			case !more && g.length == 0:
				g.state = atType
			case !more:
				g.state, g.body = inBody, g.length
			}
			i++
		case inBody:
			step := min(n-i, g.body)
			i += step
			if g.body -= step; g.body == 0 {
				g.state = atType
			}
		}
	}
	return n, nil
}

// Write implements net.Conn.
func (g *guard) Write(b []byte) (int, error) {
	if err := g.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return 0, g.end(err)
	}
	n, err := g.Conn.Write(b)
	if err != nil {
		return n, g.end(err)
	}
	return n, nil
}

// part makes the next Close a farewell: it ends our side and waits for the
// broker to have read everything and to end its own. Closing at once would
// reset the connection if anything of the broker's was still under way, and
// with it the acknowledgements that the broker had not read yet.
func (g *guard) part() { g.parting.Store(true) }

// Close implements net.Conn.
func (g *guard) Close() error {
	if half, ok := g.Conn.(interface{ CloseWrite() error }); ok && g.parting.Load() && half.CloseWrite() == nil {
		timer := time.NewTimer(partTime)
		select {
		case <-g.finished:
		case <-timer.C:
		}
		timer.Stop()
	}
	_ = g.end(net.ErrClosed)
	return nil
}

// end reports why the connection ended and closes it, once.
func (g *guard) end(err error) error {
	g.once.Do(func() {
		g.ended(err)
		_ = g.Conn.Close()
	})
	return err
}
