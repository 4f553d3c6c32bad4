package outbox

import (
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"

	"dwindle/collector/influx/connect"
)

// receiver is the server that is written to, through the library's blocking
// calls over an HTTP client of ours.
type receiver struct {
	host          string // for people
	org, bucket   string
	tokenFile     string
	write         api.WriteAPIBlocking
	remove        api.DeleteAPI
	http          *http.Client
	plain, packed *atomic.Int64 // bytes sent, before and after gzip
}

// newReceiver checks the settings; nothing is sent yet.
func newReceiver(opt Options, c *counters) (*receiver, error) {
	u, err := parseURL(opt.URL)
	if err != nil {
		return nil, err
	}
	transport := connect.Transport(opt.times.dial)
	// One request is under way at a time; a second connection is for the moment
	// in which the first is being given up.
	transport.MaxIdleConns, transport.MaxIdleConnsPerHost = 2, 2
	transport.ResponseHeaderTimeout = opt.times.header
	transport.DialContext = (&net.Dialer{
		Timeout:         opt.times.dial,
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 30 * time.Second, Interval: 10 * time.Second, Count: 3},
	}).DialContext
	if opt.dial != nil {
		transport.DialContext = opt.dial
	}
	if opt.CAFile != "" {
		if _, err := connect.Trust(opt.CAFile); err != nil {
			return nil, err
		}
		transport.DialTLSContext = dialTLS(transport.DialContext, opt)
	}
	r := &receiver{
		host: u.Host, org: opt.Organisation, bucket: opt.Bucket, tokenFile: opt.TokenFile,
		plain: &c.bytes, packed: &c.sent,
		http: connect.Client(transport, opt.times.request),
	}
	options := influxdb2.DefaultOptions().SetUseGZip(true).SetPrecision(time.Nanosecond).SetApplicationName("dwindle")
	options.HTTPOptions().SetHTTPDoer(r)
	// No token: each request gets the one that is then in its file.
	client := influxdb2.NewClientWithOptions(u.String(), "", options)
	r.write, r.remove = client.WriteAPIBlocking(r.org, r.bucket), client.DeleteAPI()
	return r, nil
}

// parseURL reads the address of the server.
func parseURL(raw string) (*url.URL, error) {
	refuse := func(shown, why, try string) (*url.URL, error) {
		return nil, fmt.Errorf("the url %q of InfluxDB: %s\ntry: %s", shown, why, try)
	}
	u, err := url.Parse(raw)
	if err != nil || u.Hostname() == "" {
		shown := raw
		if i := strings.LastIndex(raw, "@"); i >= 0 {
			shown = "***" + raw[i:]
		}
		return refuse(shown, "cannot be read", "http://host:8086, or https://host:8086 for TLS")
	}
	switch {
	case u.User != nil:
		return refuse(u.Redacted(), "holds an account", "token_file: under stores.influx; a file is not shown in listings and logs")
	case u.Scheme != "http" && u.Scheme != "https":
		return refuse(raw, "has a scheme that is not supported", "http:// or https://")
	case u.RawQuery != "" || u.Fragment != "":
		return refuse(u.Scheme+"://"+u.Host, "has more than an address", "organisation: and bucket: have keys of their own under stores.influx")
	}
	return u, nil
}

// dialTLS opens connections for which the file of authorities is read anew, so
// that one that was replaced counts from the next connection on.
func dialTLS(dial func(context.Context, string, string) (net.Conn, error), opt Options) func(context.Context, string, string) (net.Conn, error) {
	return func(ctx context.Context, network, addr string) (net.Conn, error) {
		config, err := connect.Trust(opt.CAFile)
		if err != nil {
			return nil, err
		}
		if config.ServerName, _, err = net.SplitHostPort(addr); err != nil {
			return nil, err
		}
		conn, err := dial(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		ctx, cancel := context.WithTimeout(ctx, opt.times.dial)
		defer cancel()
		secure := tls.Client(conn, config)
		if err := secure.HandshakeContext(ctx); err != nil {
			_ = conn.Close()
			return nil, &net.OpError{Op: "dial", Net: network, Addr: conn.RemoteAddr(), Err: err}
		}
		return secure, nil
	}
}

// noToken says why there is no token to send.
type noToken struct{ error }

// token reads the token anew, since it may have been replaced.
func (r *receiver) token() (string, error) {
	if r.tokenFile == "" {
		return "", nil
	}
	f, err := os.Open(r.tokenFile)
	if err != nil {
		return "", noToken{fmt.Errorf("read token_file: %w", err)}
	}
	defer f.Close()
	const most = 8 << 10 // a wrong file may be large
	text, err := io.ReadAll(io.LimitReader(f, most))
	if err != nil {
		return "", noToken{fmt.Errorf("read token_file: %w", err)}
	}
	token := strings.TrimSpace(string(text))
	// Not shown: it may be half a secret.
	if token == "" || strings.ContainsFunc(token, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return "", noToken{fmt.Errorf("token_file %s does not hold one word", r.tokenFile)}
	}
	return token, nil
}

// answerKey is where a request's context holds its answer.
type answerKey struct{}

// Do is called by the library for each request. What the library makes of an
// answer that says no is not used: it forgets dates in Retry-After, reads without
// bound, and takes JSON for its own notes.
func (r *receiver) Do(req *http.Request) (*http.Response, error) {
	a, _ := req.Context().Value(answerKey{}).(*answer)
	if a == nil {
		a = &answer{}
	}
	token, err := r.token()
	if err != nil {
		if req.Body != nil {
			_ = req.Body.Close() // ends the library's gzip
		}
		return nil, err
	}
	if token != "" {
		req.Header.Set("Authorization", "Token "+token)
	}
	if req.Body != nil {
		req.Body = &countedBody{req.Body, r.packed}
	}
	resp, err := r.http.Do(req)
	if err != nil {
		return nil, err
	}
	a.status = resp.StatusCode
	if a.status == http.StatusNoContent {
		return resp, nil
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil && len(body) == 0 {
		body = []byte("its words were cut off: " + plainCause(err))
	}
	_ = resp.Body.Close()
	a.read(resp.Header, body, token)
	resp.Body = io.NopCloser(bytes.NewReader(nil))
	return resp, nil
}

type countedBody struct {
	io.ReadCloser
	n *atomic.Int64
}

func (b *countedBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	b.n.Add(int64(n))
	return n, err
}

// put writes lines of line protocol.
func (r *receiver) put(ctx context.Context, text string) answer {
	r.plain.Add(int64(len(text)))
	var a answer
	if err := r.write.WriteRecord(context.WithValue(ctx, answerKey{}, &a), text); a.status == 0 {
		a.cause = err
	}
	return a
}

// delete takes away what a bucket holds of one series of tags in [from, to],
// both included to the nanosecond.
func (r *receiver) delete(ctx context.Context, from, to time.Time, predicate string) answer {
	var a answer
	if err := r.remove.DeleteWithName(context.WithValue(ctx, answerKey{}, &a), r.org, r.bucket, from.UTC(), to.UTC(), predicate); a.status == 0 {
		a.cause = err
	}
	return a
}

// close ends connections that wait for the next request.
func (r *receiver) close() { r.http.CloseIdleConnections() }
