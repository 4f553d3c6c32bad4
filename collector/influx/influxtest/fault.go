package influxtest

import (
	"errors"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Fault is what a proxy does with one request. The zero value passes it on.
type Fault struct {
	kind   kind
	status int
	body   string
	header http.Header
	bytes  int64
	wait   time.Duration
}

type kind int

const (
	pass kind = iota
	answer
	cutBefore
	cutBody
	cutAfter
	hang
	slow
	truncate
)

// Pass passes the request on as if there were no proxy.
func Pass() Fault { return Fault{} }

// Answer answers with a status and a body in the proxy; the server gets
// nothing. A JSON body is told as such.
func Answer(status int, body string) Fault {
	f := Fault{kind: answer, status: status, body: body, header: http.Header{}}
	if strings.HasPrefix(body, "{") {
		f.header.Set("Content-Type", "application/json; charset=utf-8")
	}
	return f
}

// With is the same answer with one more line in its head, such as Retry-After.
func (f Fault) With(name, value string) Fault {
	f.header = f.header.Clone()
	f.header.Set(name, value)
	return f
}

// CutBefore cuts the connection when the head of the request has come; the
// server gets nothing.
func CutBefore() Fault { return Fault{kind: cutBefore} }

// CutBody passes the first n bytes of the request's body on and then cuts both
// connections. A body of n bytes or less is not passed on to its end either: its
// last byte is missing.
func CutBody(n int64) Fault { return Fault{kind: cutBody, bytes: n} }

// CutAfter passes the request on, waits for the answer of the server, and cuts
// the connection in place of it: done, but the sender does not know.
func CutAfter() Fault { return Fault{kind: cutAfter} }

// Hang takes the request and never answers. The server gets nothing. It ends
// when the sender gives up, or the proxy ends.
func Hang() Fault { return Fault{kind: hang} }

// Late passes the request on after a time.
func Late(wait time.Duration) Fault { return Fault{wait: wait} }

// Slow passes the bodies of request and answer on at so many bytes a second.
func Slow(bytesPerSecond int64) Fault { return Fault{kind: slow, bytes: bytesPerSecond} }

// Truncate passes the request on, and of the answer the head and the first n
// bytes of the body; then it cuts the connection.
func Truncate(n int64) Fault { return Fault{kind: truncate, bytes: n} }

func (p *Proxy) do(f Fault, target *url.URL, w http.ResponseWriter, r *http.Request) {
	if f.wait > 0 {
		select {
		case <-time.After(f.wait):
		case <-r.Context().Done():
			cut()
		}
	}
	switch f.kind {
	case pass:
		p.forward(target, w, r)
	case answer:
		_, _ = io.Copy(io.Discard, r.Body) // a sender that gives up is no matter
		for name, values := range f.header {
			w.Header()[name] = values
		}
		w.WriteHeader(f.status)
		_, _ = io.WriteString(w, f.body)
	case cutBefore:
		cut()
	case cutBody:
		n := f.bytes
		if r.ContentLength > 0 {
			n = min(n, r.ContentLength-1)
		}
		r.Body = readCloser{io.MultiReader(io.LimitReader(r.Body, n), broken{}), r.Body}
		p.forward(target, httptest.NewRecorder(), r)
		cut()
	case cutAfter:
		p.forward(target, httptest.NewRecorder(), r)
		cut()
	case hang:
		_, _ = io.Copy(io.Discard, r.Body)
		<-r.Context().Done()
		cut()
	case slow:
		r.Body = readCloser{slowReader{r.Body, f.bytes}, r.Body}
		p.forward(target, slowWriter{w, f.bytes}, r)
	case truncate:
		whole := httptest.NewRecorder()
		p.forward(target, whole, r)
		for name, values := range whole.Header() {
			w.Header()[name] = values
		}
		w.Header().Set("Content-Length", strconv.Itoa(max(whole.Body.Len(), 1)))
		w.WriteHeader(whole.Code)
		_, _ = w.Write(whole.Body.Next(int(f.bytes)))
		_ = http.NewResponseController(w).Flush()
		cut()
	}
}

// cut ends the connection without another word.
func cut() { panic(http.ErrAbortHandler) }

// forward passes a request on; if the server cannot be reached or goes away,
// the connection is cut as it would be without a proxy.
func (p *Proxy) forward(target *url.URL, w http.ResponseWriter, r *http.Request) {
	(&httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			r.Out.Host = ""
		},
		Transport:     p.transport,
		FlushInterval: -1,
		ErrorLog:      log.New(io.Discard, "", 0),
		ErrorHandler:  func(http.ResponseWriter, *http.Request, error) { cut() },
	}).ServeHTTP(w, r)
}

type readCloser struct {
	io.Reader
	io.Closer
}

// broken is where a body breaks off.
type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errors.New("the proxy cuts the body") }

// slowReader and slowWriter take a tenth of a second for a tenth of what is
// allowed in a second.
type slowReader struct {
	r         io.Reader
	perSecond int64
}

func (s slowReader) Read(into []byte) (int, error) {
	time.Sleep(time.Second / 10)
	return s.r.Read(into[:min(int64(len(into)), max(s.perSecond/10, 1))])
}

type slowWriter struct {
	http.ResponseWriter
	perSecond int64
}

func (s slowWriter) Write(text []byte) (n int, err error) {
	for len(text) > 0 && err == nil {
		time.Sleep(time.Second / 10)
		part := text[:min(int64(len(text)), max(s.perSecond/10, 1))]
		var m int
		m, err = s.ResponseWriter.Write(part)
		_ = http.NewResponseController(s.ResponseWriter).Flush()
		n, text = n+m, text[m:]
	}
	return n, err
}

// Unwrap lets a ResponseController find the writer below.
func (s slowWriter) Unwrap() http.ResponseWriter { return s.ResponseWriter }
