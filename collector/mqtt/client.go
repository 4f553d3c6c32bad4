package mqtt

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/config"
)

// ClientOptions of NewClient. Name, Broker, Filters, StateDir and Sink are
// needed.
type ClientOptions struct {
	// Name tells brokers apart in health, logs, messages and file names.
	Name   string
	Broker config.Broker
	// Filters are subscribed to with QoS 1. Those that others cover are left
	// out.
	Filters []string
	// ProbeBelow is a branch of topics that Filters cover and in which a
	// message of our own does no harm; see the broker's probe setting. Empty:
	// no probes are sent.
	ProbeBelow string
	// KeepAlive is how long a quiet connection lives before it is asked whether
	// the broker is still there, in whole seconds, and PingTimeout how long the
	// answer may take. Zero: 30 s and 10 s.
	KeepAlive, PingTimeout time.Duration
	// LongestWait bounds the wait between attempts to connect. Zero: 45 to 90 s,
	// different for each client.
	LongestWait time.Duration
	// StateDir keeps the client id. It must survive restarts.
	StateDir string
	Sink     Sink
	// Notice, if set, takes what happened and may have to be looked up later.
	// It must not block.
	Notice func(reading.Notice)
	Health *health.Checks
	Log    *slog.Logger
}

// SessionLost is the kind of a notice: from At to Until messages may be
// missing.
const SessionLost = "session_lost"

// Client is a durable subscriber: the broker keeps its session while it is
// away, and each message is acknowledged after its commit, so what was not
// committed comes again.
//
// Four things it cannot mend and therefore says in health: a session that the
// broker has lost (what was sent meanwhile is missing), a subscription that the
// broker refuses, one that it grants and does not serve, and a second client
// that uses the same id.
//
// While the sink blocks, received messages wait in memory, bounded in number
// and bytes. Usual brokers send no more than their in-flight window before
// they see acknowledgements, so pings go on being answered. Past the bound
// reading stops, and the broker's patience with it; what was not acknowledged
// comes again on the next connection.
type Client struct {
	opt    ClientOptions
	target target
	id     *identity
	hand   hand
	flap   *flap
	limit  int // bytes of one packet
	times  clientTimes
	ran    atomic.Bool
	stats  clientCounters

	// Used by the goroutine of Run.
	prober    prober
	oversized int       // packets above the limit in a row
	lastSeen  time.Time // when the last connection ended
	gapShown  time.Time // until when a lost session is shown
}

// clientTimes are shortened by tests.
type clientTimes struct {
	keepAlive   time.Duration // whole seconds
	pingTimeout time.Duration
	answer      time.Duration // for CONNACK and SUBACK
	resubscribe time.Duration // between attempts at a refused subscription
	retake      time.Duration // before what the sink refused is fetched again
	probeFirst  time.Duration // from the subscription to the first probe, if nothing comes
	probeAnswer time.Duration // for a probe to come back
	probeEvery  time.Duration // between looks at the deliveries
}

// The first probe goes out when a connection is older than those that a
// take-over ends, so that its refusal is not taken for one.
var usualTimes = clientTimes{
	keepAlive: 30 * time.Second, pingTimeout: 10 * time.Second, answer: 30 * time.Second,
	resubscribe: time.Minute, retake: 10 * time.Second,
	probeFirst: 5 * time.Second, probeAnswer: 20 * time.Second, probeEvery: 10 * time.Minute,
}

// NewClient checks the options and prepares the client id; Run connects.
func NewClient(opt ClientOptions) (*Client, error) {
	switch {
	case opt.Sink == nil:
		return nil, errors.New("mqtt.NewClient: no sink")
	case opt.Name == "" || strings.ContainsAny(opt.Name, "/\\"):
		return nil, fmt.Errorf("mqtt.NewClient: the name %q cannot be part of a file name", opt.Name)
	case len(opt.Filters) == 0:
		return nil, errors.New("mqtt.NewClient: no topic filters")
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	t, err := parseTarget(opt.Broker.URL)
	if err != nil {
		return nil, err
	}
	id, err := loadIdentity(opt.StateDir, opt.Name, opt.Broker.ClientID)
	if err != nil {
		return nil, err
	}
	opt.Filters = distinct(opt.Filters)
	c := &Client{
		opt: opt, target: t, id: id, hand: newHand(), flap: newFlap(),
		limit: maxInboundBytes, times: usualTimes,
	}
	c.times.keepAlive = cmp.Or(opt.KeepAlive, c.times.keepAlive)
	c.times.pingTimeout = cmp.Or(opt.PingTimeout, c.times.pingTimeout)
	c.flap.longest = cmp.Or(opt.LongestWait, c.flap.longest)
	if probe := opt.Broker.Probe; probe == nil || *probe {
		c.prober = newProber(opt.ProbeBelow, opt.Broker.Username, id.ClientID)
	}
	return c, nil
}

// ClientID is the id under which the broker keeps the session.
func (c *Client) ClientID() string { return c.id.ClientID }

// Run keeps the connection up until ctx ends, once. Then it takes no more
// messages, gives what was handed over a few seconds to be committed and
// acknowledged, and disconnects. The sink has to go on working meanwhile.
func (c *Client) Run(ctx context.Context) error {
	if c.ran.Swap(true) {
		return errors.New("mqtt.Client.Run: it ran before; make a new one")
	}
	for {
		l := newLink(c)
		err := l.run(ctx)
		if ctx.Err() != nil {
			c.seen(l)
			return nil
		}
		c.lastSeen = time.Now()
		c.seen(l)
		c.probeCut(c.lastSeen)
		c.lost(l, err)
		pause := time.NewTimer(c.flap.wait())
		select {
		case <-ctx.Done():
			pause.Stop()
			return nil
		case <-pause.C:
		}
	}
}

// seen keeps until when there was a connection, for the next run of the program:
// a session that is lost then has lost what came since.
func (c *Client) seen(l *link) {
	if l.up.IsZero() {
		return
	}
	if err := c.id.seen(time.Now()); err != nil {
		c.opt.Log.Warn("the end of a connection cannot be noted", "broker", c.opt.Name, "error", err)
	}
}

// check names one of this client's entries in the health list: "broker
// connection", or "broker north connection" where brokers have names.
func (c *Client) check(what string) string {
	if c.opt.Name == config.DefaultBrokerName {
		return "broker " + what
	}
	return "broker " + c.opt.Name + " " + what
}

// clientChecks are all of them.
var clientChecks = []string{"connection", "session", "subscription", "delivery", "client id", "packet size"}

// Forget takes a client that has ended out of the health list: it is not
// wanted any more. Its state stays, so that the same session is found should it
// come back.
func (c *Client) Forget() {
	for _, what := range clientChecks {
		c.opt.Health.Drop(c.check(what))
	}
}

func (c *Client) set(what string, level health.Level, wrong, try string) {
	c.opt.Health.Set(c.check(what), level, wrong, try)
}

// lost reports the end of a connection, or that none came about.
func (c *Client) lost(l *link, err error) {
	const connection = "connection"
	at := "the broker at " + c.target.host
	var big oversize
	switch {
	case errors.As(err, &big):
		c.oversized++
		c.stats.oversize.Add(1)
		c.set("packet size", health.Bad,
			fmt.Sprintf("%s sends a packet of at least %d bytes, above the limit of %d; connection closed, %d times in a row", at, big.bytes, big.limit, c.oversized),
			fmt.Sprintf("set the broker's own limit to %d bytes or less (message_size_limit in mosquitto); a broker that keeps the packet for us sends it each time, until its session for client id %s is deleted there", big.limit, c.id.ClientID))
	case errors.Is(err, errRetake):
		c.flap.row = 0
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		c.set(connection, health.Bad, at+" refuses the account", "check username: and password_file: (or the certificate) under connections.broker, and the broker's list of accounts")
		return
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		c.set(connection, health.Bad, at+" refuses the client id "+c.id.ClientID, "client_id: under connections.broker, as the broker wants it")
		return
	case l.up.IsZero():
		c.set(connection, health.Bad, fmt.Sprintf("no connection to %s: %v", at, err), "see that the broker runs and that url: under connections.broker is right; attempts go on")
		return
	default:
		lived := c.lastSeen.Sub(l.up)
		if c.flap.ended(c.lastSeen, lived) {
			c.set("client id", health.Bad,
				fmt.Sprintf("%s ends our connection at once, again and again: the client id %s is in use elsewhere", at, c.id.ClientID),
				"find the second program that uses this id (a copied data directory?) and stop it; messages are lost between the two. Else see the broker's log")
		} else if lived >= shortLife {
			c.set("client id", health.Ok, "", "")
		}
	}
	c.set(connection, health.Bad, fmt.Sprintf("lost the connection to %s: %v", at, err), "attempts go on; if this lasts, see the broker's log and the network")
}

// filtersGone are topics that the session still has and nobody wants.
func (c *Client) filtersGone() []string {
	return slices.DeleteFunc(slices.Clone(c.id.Filters), func(f string) bool { return slices.Contains(c.opt.Filters, f) })
}
