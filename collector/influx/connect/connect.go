// Package connect is what all connections to an InfluxDB have in common: whom
// they trust, that they go to the named server alone, and how long it asks to be
// left alone. What is sent, and what an answer means, is for who sends.
package connect

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"
)

// idleTime is how long a connection is kept for the next request: shorter than
// servers and proxies do, so that seldom one is used that they end.
const idleTime = 30 * time.Second

// headerMost bounds the bytes of an answer's header; those of InfluxDB have some
// hundreds.
const headerMost = 64 << 10

// Transport makes a transport with its bounds, and without the proxy that the
// environment may name: that is for others. The handshake of TLS may take as long
// as is given.
func Transport(handshake time.Duration) *http.Transport {
	return &http.Transport{TLSHandshakeTimeout: handshake, IdleConnTimeout: idleTime, MaxResponseHeaderBytes: headerMost}
}

// Client makes a client that follows no redirections: what is sent, and the token
// with it, is for the named server alone. A request may take as long as is given
// in all; zero: it is bounded elsewhere.
func Client(way http.RoundTripper, most time.Duration) *http.Client {
	return &http.Client{
		Transport: way, Timeout: most,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Trust makes a configuration that trusts the authorities in a file (PEM) and no
// others. Who runs for years reads it anew for each connection, so that a file
// that was replaced counts.
func Trust(file string) (*tls.Config, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read stores.influx.ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("read stores.influx.ca_file: %s holds no certificate in PEM form: its text should be PEM, from -----BEGIN CERTIFICATE----- on", file)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}, nil
}

// longestWait is more than anybody waits.
const longestWait = 24 * time.Hour

// RetryAfter reads a Retry-After header, which holds seconds or an HTTP date
// (RFC 9110, 10.2.3), up to a day; ok is false if there is none that makes sense,
// such as seconds of more than 68 years.
func RetryAfter(header string, now time.Time) (wait time.Duration, ok bool) {
	if s, err := strconv.ParseInt(strings.TrimSpace(header), 10, 32); err == nil {
		if s < 0 {
			return 0, false
		}
		return min(time.Duration(s)*time.Second, longestWait), true
	}
	at, err := http.ParseTime(header)
	if err != nil {
		return 0, false
	}
	return min(max(at.Sub(now), 0), longestWait), true
}
