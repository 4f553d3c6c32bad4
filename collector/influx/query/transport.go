package query

import (
	"compress/gzip"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"sync"
	"time"

	"dwindle/collector/influx/connect"
	"dwindle/config"
)

// The times and bounds of one question.
const (
	dialTime   = 10 * time.Second
	askTime    = time.Minute // for all of one answer
	answerMost = 256 << 20   // bytes of an answer, unpacked; a page has a tenth of it at most
)

// transport sends questions: it adds the token, and lets only such answers
// through as can be told from a part of one.
type transport struct {
	server *config.Influx
	base   *http.Transport

	mu    sync.Mutex
	token string
}

func newTransport(server *config.Influx) (*transport, error) {
	dialer := &net.Dialer{Timeout: dialTime, KeepAlive: 15 * time.Second}
	base := connect.Transport(dialTime)
	base.MaxIdleConns, base.MaxIdleConnsPerHost = 4, 4
	base.ResponseHeaderTimeout, base.DialContext = askTime, dialer.DialContext
	if file := server.CAFile; file != "" {
		if _, err := connect.Trust(file); err != nil {
			return nil, err
		}
		// Read anew for each connection: who serves may run for years.
		base.DialTLSContext = func(ctx context.Context, network, addr string) (net.Conn, error) {
			config, err := connect.Trust(file)
			if err != nil {
				return nil, err
			}
			return (&tls.Dialer{NetDialer: dialer, Config: config}).DialContext(ctx, network, addr)
		}
	}
	return &transport{server: server, base: base}, nil
}

// authorization gives the token, read once until forget.
func (t *transport) authorization() (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.token == "" {
		token, err := t.server.Token()
		if err != nil {
			return "", fmt.Errorf("%w: %w", errToken, err)
		}
		t.token = token
	}
	return "Token " + t.token, nil
}

// forget has the token read anew; it says whether it is another one now.
func (t *transport) forget() (changed bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	was := t.token
	t.token, _ = t.server.Token() // who asks next hears why not
	return t.token != was
}

// errToken is a file that holds no token.
var errToken = errors.New("there is no token")

// errNotWhole is an answer of which nobody can say whether it is all.
var errNotWhole = errors.New("the answer is not whole")

// RoundTrip sends one question.
func (t *transport) RoundTrip(req *http.Request) (*http.Response, error) {
	auth, err := t.authorization()
	if err != nil {
		return nil, err
	}
	req = req.Clone(req.Context())
	req.Header.Set("Authorization", auth)
	resp, err := t.base.RoundTrip(req)
	if err != nil || resp.StatusCode/100 != 2 {
		if err == nil {
			resp.Body = bounded{io.LimitReader(resp.Body, 64<<10), resp.Body} // it is only words
		}
		return resp, err
	}
	if why := notAnAnswer(resp); why != "" {
		_ = resp.Body.Close() // nothing is wanted of it
		return nil, fmt.Errorf("%w: %s", errNotWhole, why)
	}
	// Unpacked here, what comes out is bounded, and closing reaches the connection.
	text, err := gzip.NewReader(resp.Body)
	if err != nil {
		_ = resp.Body.Close()
		return nil, fmt.Errorf("%w: %w", errNotWhole, err)
	}
	resp.Body = bounded{&limited{text, answerMost}, resp.Body}
	resp.Header.Del("Content-Encoding")
	resp.Header.Del("Content-Length")
	resp.ContentLength = -1
	return resp, nil
}

// notAnAnswer says why a 200 is none of InfluxDB's. HTTP alone does not tell a
// whole body from a part of one where something in between ends it; gzip ends
// with a checksum (RFC 1952). The server packs answers of 1,400 bytes and more,
// and the mark makes all of them so long.
func notAnAnswer(resp *http.Response) string {
	kind, _, _ := mime.ParseMediaType(resp.Header.Get("Content-Type"))
	switch {
	case resp.StatusCode != http.StatusOK:
		return "it came with status " + resp.Status
	case kind != "text/csv":
		return fmt.Sprintf("it is %q, not text/csv: something else than InfluxDB answers", kind)
	case resp.Header.Get("Content-Encoding") != "gzip":
		return "it is not packed, as InfluxDB does it, and has no checksum: something in between may have unpacked it; ask the server without that"
	}
	return ""
}

// markLength makes the server pack every answer.
const markLength = 1_500

type bounded struct {
	io.Reader
	io.Closer
}

// limited fails where an answer goes on and on.
type limited struct {
	r    io.Reader
	left int64
}

func (l *limited) Read(p []byte) (int, error) {
	if l.left <= 0 {
		return 0, fmt.Errorf("the answer is longer than %d bytes", int64(answerMost))
	}
	n, err := l.r.Read(p[:min(int64(len(p)), l.left)])
	l.left -= int64(n)
	return n, err
}
