package influxtest

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"log"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"testing"
	"time"

	"dwindle/collector/internal/servertest"
)

// Request is what a proxy remembers of one.
type Request struct {
	At            time.Time // when its head had come
	Method, Path  string
	Query         url.Values
	Authorization string // the whole line, with the token
	Encoding      string // gzip, or empty
	Bytes         int64  // of the body, as sent, that were read
	Body          []byte // what was read of it, after [Proxy.Keep]
	Fault         Fault  // what was done
	Status        int    // of the answer; 0: none was sent
	Done          bool   // it is over; before, Bytes, Body and Status are not known
}

// Text is the body, unpacked if it came as gzip.
func (r Request) Text() (string, error) {
	if r.Encoding != "gzip" {
		return string(r.Body), nil
	}
	z, err := gzip.NewReader(bytes.NewReader(r.Body))
	if err != nil {
		return "", err
	}
	text, err := io.ReadAll(z)
	return string(text), err
}

// Proxy stands between a sender and a server and does what a test scripts,
// request by request. All methods may be called at any time.
type Proxy struct {
	URL string // where to send to; the same after Down and Up

	t         testing.TB
	addr      string
	transport *http.Transport
	closed    context.CancelFunc

	mu       sync.Mutex
	target   *url.URL
	srv      *http.Server
	script   []Fault
	rule     func(Request) Fault
	keep     bool
	requests []*Request
	news     chan struct{} // closed at the next change of requests
}

// NewProxy starts a proxy in front of a server that ends with the test. Without
// a script it passes everything on.
func NewProxy(t testing.TB, target string) *Proxy {
	t.Helper()
	p := &Proxy{t: t, transport: &http.Transport{DisableCompression: true}, news: make(chan struct{})}
	p.Target(target)
	var err error
	for range 10 {
		var port int
		if port, err = servertest.FreePort(); err != nil {
			break
		}
		p.addr = net.JoinHostPort("127.0.0.1", strconv.Itoa(port))
		if err = p.listen(); err == nil {
			break
		}
	}
	if err != nil {
		t.Fatalf("start the proxy: %v", err)
	}
	p.URL = "http://" + p.addr
	t.Cleanup(func() {
		p.Down()
		p.transport.CloseIdleConnections()
	})
	return p
}

// Target sends what comes from now on to another server, such as
// http://127.0.0.1:8086.
func (p *Proxy) Target(address string) {
	p.t.Helper()
	to, err := url.Parse(address)
	if err != nil {
		p.t.Fatalf("direct the proxy: %v", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.target = to
}

// Next scripts the next requests, one fault for each, after those that are
// scripted already.
func (p *Proxy) Next(faults ...Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.script = append(p.script, faults...)
}

// Each scripts all requests that Next does not: the rule says what to do with
// each. It is called for one request at a time; Bytes, Body and Status are not
// known then. nil passes all on.
func (p *Proxy) Each(rule func(Request) Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rule = rule
}

// All does the same with every request that Next does not script.
func (p *Proxy) All(f Fault) { p.Each(func(Request) Fault { return f }) }

// Clear forgets the script: everything is passed on. Requests that hang go on
// hanging.
func (p *Proxy) Clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.script, p.rule = nil, nil
}

// Keep remembers the bodies of the requests from now on.
func (p *Proxy) Keep() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.keep = true
}

// Down ends all connections and refuses new ones, as a server that is not
// there.
func (p *Proxy) Down() {
	p.mu.Lock()
	srv, closed := p.srv, p.closed
	p.srv = nil
	p.mu.Unlock()
	if srv != nil {
		closed()
		_ = srv.Close()
	}
}

// Up listens again after Down.
func (p *Proxy) Up() {
	p.t.Helper()
	if err := p.listen(); err != nil {
		p.t.Fatalf("start the proxy again: %v", err)
	}
}

func (p *Proxy) listen() error {
	l, err := net.Listen("tcp", p.addr)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	srv := &http.Server{
		Handler:     p,
		BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog:    log.New(io.Discard, "", 0),
	}
	p.mu.Lock()
	p.srv, p.closed = srv, cancel
	p.mu.Unlock()
	go func() { _ = srv.Serve(l) }() // ends with Down
	return nil
}

// Requests are all that came, in the order of coming.
func (p *Proxy) Requests() []Request {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]Request, len(p.requests))
	for i, r := range p.requests {
		out[i] = *r
	}
	return out
}

// Forget forgets the requests so far.
func (p *Proxy) Forget() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.requests = nil
}

// Await waits until n requests since the start or Forget are over, or fails the
// test after limit.
func (p *Proxy) Await(n int, limit time.Duration) {
	p.t.Helper()
	timeout := time.After(limit)
	for {
		p.mu.Lock()
		news, over := p.news, 0
		for _, r := range p.requests {
			if r.Done {
				over++
			}
		}
		p.mu.Unlock()
		if over >= n {
			return
		}
		select {
		case <-news:
		case <-timeout:
			p.t.Fatalf("%d of %d requests were over after %s", over, n, limit)
		}
	}
}

// change changes what is remembered, and tells.
func (p *Proxy) change(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
	close(p.news)
	p.news = make(chan struct{})
}

// ServeHTTP takes one request.
func (p *Proxy) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	seen := &Request{
		At: time.Now(), Method: r.Method, Path: r.URL.Path, Query: r.URL.Query(),
		Authorization: r.Header.Get("Authorization"), Encoding: r.Header.Get("Content-Encoding"),
	}
	var target *url.URL
	body := &countedBody{body: r.Body}
	p.change(func() {
		p.requests = append(p.requests, seen)
		target, body.keep = p.target, p.keep
		if len(p.script) > 0 {
			seen.Fault, p.script = p.script[0], p.script[1:]
		} else if p.rule != nil {
			seen.Fault = p.rule(*seen)
		}
	})
	answered := &statusWriter{ResponseWriter: w}
	defer p.change(func() {
		seen.Bytes, seen.Body = body.read()
		seen.Status, seen.Done = answered.status, true
	})
	r.Body = body
	p.do(seen.Fault, target, answered, r)
}

// countedBody is the body of a request that is seen by what is read of it. The
// transport may read on while the request is over.
type countedBody struct {
	body io.ReadCloser
	keep bool

	mu   sync.Mutex
	n    int64
	kept []byte
}

func (b *countedBody) Read(into []byte) (int, error) {
	n, err := b.body.Read(into)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.n += int64(n)
	if b.keep {
		b.kept = append(b.kept, into[:n]...)
	}
	return n, err
}

func (b *countedBody) Close() error { return b.body.Close() }

func (b *countedBody) read() (int64, []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.n, bytes.Clone(b.kept)
}

// statusWriter remembers the status that was sent.
type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(status int) {
	w.status = status
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Write(text []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(text)
}

// Unwrap lets a ResponseController find the writer below.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
