package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"dwindle/config"
)

// dialTime bounds one attempt to reach a broker, TLS handshake included.
const dialTime = 30 * time.Second

// target is a broker's address as the site file gives it.
type target struct {
	host string // with port
	tls  bool
}

// parseTarget reads a broker's URL.
func parseTarget(raw string) (target, error) {
	refuse := func(why, try string) (target, error) {
		return target{}, fmt.Errorf("the broker's url %q: %s\ntry: %s", redact(raw), why, try)
	}
	u, err := url.Parse(raw)
	if err != nil || u.Host == "" || u.Hostname() == "" {
		return refuse("cannot be read", "tcp://host:1883, or ssl://host:8883 for TLS")
	}
	if u.User != nil {
		return refuse("holds an account", "username: and password_file: under connections.broker; a file is not shown in listings and logs")
	}
	var t target
	port := u.Port()
	switch u.Scheme {
	case "tcp", "mqtt":
		if port == "" {
			port = "1883"
		}
	case "ssl", "tls", "mqtts":
		t.tls = true
		if port == "" {
			port = "8883"
		}
	default:
		return refuse("has a scheme that is not supported", "tcp:// or ssl://")
	}
	t.host = net.JoinHostPort(u.Hostname(), port)
	return t, nil
}

// redact hides what may be a password in an address.
func redact(raw string) string {
	if u, err := url.Parse(raw); err == nil {
		return u.Redacted()
	}
	if i := strings.LastIndex(raw, "@"); i >= 0 {
		return "***" + raw[i:]
	}
	return raw
}

// dial opens a connection. The files that it needs are read anew each time,
// so that rotated certificates count from the next attempt on.
func dial(ctx context.Context, t target, b config.Broker) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, dialTime)
	defer cancel()
	dialer := &net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 30 * time.Second, Interval: 10 * time.Second, Count: 3},
		Control:         socketOptions,
	}
	if !t.tls {
		return dialer.DialContext(ctx, "tcp", t.host)
	}
	conf, err := tlsConfig(b)
	if err != nil {
		return nil, err
	}
	return (&tls.Dialer{NetDialer: dialer, Config: conf}).DialContext(ctx, "tcp", t.host)
}

func tlsConfig(b config.Broker) (*tls.Config, error) {
	conf := &tls.Config{MinVersion: tls.VersionTLS12}
	if b.CAFile != "" {
		pem, err := os.ReadFile(b.CAFile)
		if err != nil {
			return nil, fmt.Errorf("read the broker's ca_file: %w", err)
		}
		conf.RootCAs = x509.NewCertPool()
		if !conf.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("read the broker's ca_file %s: no certificate in it", b.CAFile)
		}
	}
	if (b.CertFile == "") != (b.KeyFile == "") {
		return nil, errors.New("the broker's cert_file and key_file need each other: give both or none")
	}
	if b.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("read the broker's cert_file and key_file: %w", err)
		}
		conf.Certificates = []tls.Certificate{cert}
	}
	return conf, nil
}

// password reads the password file, without the line end that editors add.
func password(b config.Broker) (string, error) {
	if b.PasswordFile == "" {
		return "", nil
	}
	text, err := os.ReadFile(b.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("read the broker's password_file: %w", err)
	}
	return strings.TrimRight(string(text), "\r\n"), nil
}
