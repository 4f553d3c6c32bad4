package mqtt

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

// maxInboundBytes bounds one packet from a broker. The library would allocate
// whatever a packet's header claims, up to 256 MiB, before the first byte of
// the body arrives.
const maxInboundBytes = 1 << 20

// oversize is the reason for closing a connection whose next packet is too
// large.
type oversize struct{ bytes, limit int }

func (o oversize) Error() string {
	return fmt.Sprintf("the broker sends a packet of %d bytes, above the limit of %d", o.bytes, o.limit)
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
	return &guard{Conn: conn, in: bufio.NewReaderSize(conn, 32<<10), limit: limit, ended: ended}
}

// Read implements net.Conn. It ends the connection instead of delivering the
// byte that completes a length above the limit.
func (g *guard) Read(b []byte) (int, error) {
	n, err := g.in.Read(b)
	if err != nil {
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

// Close implements net.Conn.
func (g *guard) Close() error {
	_ = g.end(net.ErrClosed)
	return nil
}

func (g *guard) end(err error) error {
	g.once.Do(func() {
		g.ended(err)
		_ = g.Conn.Close()
	})
	return err
}
