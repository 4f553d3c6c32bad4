package mqtt

import (
	"context"
	"errors"
	"maps"
	"net"
	"net/url"
	"slices"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"dwindle/config"
)

// Guarded is one connection to a broker for a client other than the durable
// one, with what that one has learned: an account, TLS, a bound on packets, a
// deadline for every write, and a library that is told not to help.
type Guarded struct {
	// Options are the library's settings. The caller adds a client id, its kind
	// of session, and handlers.
	Options *paho.ClientOptions

	g    *guard
	over context.Context
}

// DialGuarded opens a connection. end is called once with the reason when it
// has ended, and over is the context that it ends.
func DialGuarded(over context.Context, b config.Broker, end context.CancelCauseFunc) (*Guarded, error) {
	t, err := parseTarget(b.URL)
	if err != nil {
		return nil, err
	}
	conn, err := dial(over, t, b)
	if err != nil {
		return nil, err
	}
	g := newGuard(conn, maxInboundBytes, end)
	o, err := guardedOptions(g, t, b, usualTimes)
	if err != nil {
		return nil, errors.Join(err, g.Close())
	}
	return &Guarded{Options: o, g: g, over: over}, nil
}

// Greet introduces a client made from Options to the broker.
func (c *Guarded) Greet(client paho.Client) error {
	_, err := greet(c.over, client, c.g, usualTimes.answer)
	return err
}

// Subscribe asks for topics with QoS 1. It names those that the broker refuses,
// in order.
func (c *Guarded) Subscribe(client paho.Client, filters []string) (refused []string, err error) {
	refused, _, err = subscribe(client, filters, usualTimes.answer)
	return refused, err
}

// Part makes the next Close a farewell: what was written is read first.
func (c *Guarded) Part() { c.g.part() }

// Close ends the connection.
func (c *Guarded) Close() error { return c.g.Close() }

// guardedOptions are the settings that hold for every connection.
func guardedOptions(g *guard, t target, b config.Broker, times clientTimes) (*paho.ClientOptions, error) {
	g.silence = times.keepAlive + times.pingTimeout + time.Second
	secret, err := password(b)
	if err != nil {
		return nil, err
	}
	o := paho.NewClientOptions()
	o.Servers = []*url.URL{{Scheme: "tcp", Host: t.host}}
	o.SetUsername(b.Username)
	o.SetPassword(secret)
	o.SetProtocolVersion(4)   // no silent fall-back to MQTT 3.1
	o.SetOrderMatters(true)   // one handler at a time instead of a goroutine each
	o.SetAutoReconnect(false) // a new connection instead
	o.SetConnectRetry(false)
	o.SetResumeSubs(false)
	o.SetKeepAlive(libraryKeepAlive(times.keepAlive))
	o.SetPingTimeout(times.pingTimeout)
	o.SetConnectTimeout(times.answer)
	o.SetWriteTimeout(writeTime)
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return g, nil })
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { g.ended(err) })
	return o, nil
}

// libraryKeepAlive is what the library is told, so that its pings go out when
// the keep-alive time has passed and not up to five seconds later: with one of
// more than 10 s it looks every 5 s (paho.mqtt.golang 1.5.1, ping.go).
func libraryKeepAlive(keepAlive time.Duration) time.Duration {
	const look, often = 5 * time.Second, 10 * time.Second
	if keepAlive > often+look {
		return keepAlive - look
	}
	return keepAlive
}

// greet introduces a client to the broker and tells whether it kept a session.
func greet(over context.Context, client paho.Client, g *guard, answer time.Duration) (present bool, err error) {
	token, ok := client.Connect().(*paho.ConnectToken)
	if !ok {
		return false, errors.New("the library gave no connection token")
	}
	timer := time.NewTimer(answer)
	defer timer.Stop()
	select {
	case <-token.Done():
		if err = token.Error(); err == nil {
			return token.SessionPresent(), nil
		}
	case <-timer.C:
		err = errors.New("the broker does not answer the greeting")
	case <-over.Done():
		err = context.Cause(over)
	}
	_ = g.Close()
	// A refusal also ends the connection, so either may be seen first; the
	// refusal says more, and an oversize packet says most.
	if cause := context.Cause(over); isOversize(cause) {
		return false, cause
	}
	if token.WaitTimeout(time.Second) && token.Error() != nil {
		return false, token.Error()
	}
	return false, err
}

// errUnanswered says that a broker does not answer a subscription.
var errUnanswered = errors.New("the broker does not answer the subscription")

// subscribe asks for topics with QoS 1. It names those that the broker refuses
// and those that it grants with QoS 0 only, each in order.
func subscribe(client paho.Client, filters []string, answer time.Duration) (refused, weak []string, err error) {
	wanted := map[string]byte{}
	for _, f := range filters {
		wanted[f] = 1
	}
	token, ok := client.SubscribeMultiple(wanted, nil).(*paho.SubscribeToken)
	if !ok || !token.WaitTimeout(answer) || token.Error() != nil {
		return nil, nil, errUnanswered
	}
	granted := token.Result()
	if len(granted) == 0 {
		return nil, nil, errors.New("the connection ended before the subscription was answered")
	}
	for _, f := range slices.Sorted(maps.Keys(granted)) {
		switch qos := granted[f]; {
		case qos > 2: // 0x80
			refused = append(refused, f)
		case qos == 0:
			weak = append(weak, f)
		}
	}
	return refused, weak, nil
}

func isOversize(err error) bool {
	var big oversize
	return errors.As(err, &big)
}
