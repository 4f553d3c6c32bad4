// Package session connects a Sparkplug host to a broker.
//
// A host's session is clean and what edge nodes send is of QoS 0 (Sparkplug
// Specification 3.0.0, chapter 5): nobody keeps what they send while dwindle is
// not connected. Two things make up for it: counters that go on, since the next
// birth carries them; and a primary host, for whose STATE edge nodes wait with
// what they have, as far as they can keep it. Acknowledgements, of the Wills of
// edge nodes alone, follow the library: they come when a message has arrived,
// not when it is on disk.
//
// Start with [New].
package session

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/sparkplug"
	"dwindle/config"
)

// Source is what messages say of where they come from.
const Source = "sparkplug"

// Options of New. Broker and Sink are needed, Host where it is primary.
type Options struct {
	Broker config.Broker
	Host   sparkplug.Options
	// Groups are the Sparkplug groups to listen to; empty: all.
	Groups []string
	// Wants says whether messages of a topic are to be stored; nil: all.
	Wants  func(topic string) bool
	Sink   mqtt.Sink
	Health *health.Checks
	Log    *slog.Logger
}

// Client is a host at work.
type Client struct {
	opt    Options
	id     string
	host   *sparkplug.Host // of the goroutine of Run
	ran    atomic.Bool
	stats  atomic.Pointer[sparkplug.Stats]
	up     atomic.Bool
	counts struct{ connections, received atomic.Int64 }
	in     *semaphore.Weighted // bytes received and not looked at
	out    *semaphore.Weighted // bytes handed on and not answered
	missed chan string         // topics of what was handed on and not stored

	wanted, unwanted uint64 // messages; of the goroutine of Run
	unwantedTopic    string // of the first that nobody wanted

	left time.Time // when the last connection ended
}

const (
	// bytesInHand bounds what was received and not looked at, and what was
	// handed on and not stored.
	bytesInHand = 32 << 20
	overhead    = 256 // bytes of a message beside topic and payload, about
	maxWaiting  = 16 << 10

	drainTime   = 5 * time.Second
	partTime    = 2 * time.Second
	lookEvery   = 15 * time.Second
	firstWait   = time.Second
	longestWait = time.Minute
)

// checks are the names under which a client reports.
const (
	checkConnection   = "sparkplug connection"
	checkSubscription = "sparkplug subscription"
	checkEdges        = "sparkplug edge nodes"
	checkMapping      = "sparkplug mapping"
	checkVersion      = "sparkplug version"
	checkGap          = "sparkplug gap"
)

// New checks the options; Run connects.
func New(opt Options) (*Client, error) {
	if opt.Sink == nil {
		return nil, errors.New("sparkplug session: no sink")
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	host, err := sparkplug.New(opt.Host)
	if err != nil {
		return nil, err
	}
	c := &Client{
		// The session is clean, so the id need not last; the broker's own
		// client_id: is the durable client's.
		opt: opt, id: mqtt.NewClientID(), host: host,
		in: semaphore.NewWeighted(bytesInHand), out: semaphore.NewWeighted(bytesInHand), missed: make(chan string, 64),
	}
	c.stats.Store(&sparkplug.Stats{})
	return c, nil
}

// Stats are counts since the client was made.
type Stats struct {
	Up          bool // connected and subscribed
	Connections int64
	Received    int64 // messages
	Host        sparkplug.Stats
}

// Stats gives the counts; it may be called at any time.
func (c *Client) Stats() Stats {
	return Stats{Up: c.up.Load(), Connections: c.counts.connections.Load(), Received: c.counts.received.Load(), Host: *c.stats.Load()}
}

// ClientID is the id under which the broker knows us, until we end.
func (c *Client) ClientID() string { return c.id }

// filters are the topics that are subscribed to.
func (c *Client) filters() []string {
	var out []string
	for _, group := range c.opt.Groups {
		out = append(out, "spBv1.0/"+group+"/#")
	}
	if len(out) == 0 {
		out = []string{"spBv1.0/#"}
	}
	if c.opt.Host.Primary {
		out = append(out, sparkplug.StateTopic(c.opt.Host.ID))
	}
	return out
}

// Run keeps the connection up until ctx ends, once. Then what was received is
// handed on, a primary host says that it leaves, and disconnects. The sink has
// to go on working meanwhile.
func (c *Client) Run(ctx context.Context) error {
	if c.ran.Swap(true) {
		return errors.New("sparkplug session: it ran before; make a new one")
	}
	for failures := 0; ; failures++ {
		l := &link{c: c, queue: make(chan received, maxWaiting), opened: make(chan time.Time, 1)}
		err := l.run(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if !l.up.IsZero() {
			c.left, failures = time.Now(), 0
		}
		c.opt.Health.Set(checkConnection, health.Bad, fmt.Sprintf("no Sparkplug connection to the broker: %v", err),
			"see that the broker runs and lets the account in; attempts go on. Until then edge nodes are not heard")
		wait := min(longestWait, firstWait<<min(failures, 16))
		pause := time.NewTimer(wait/2 + rand.N(wait/2))
		select {
		case <-ctx.Done():
			pause.Stop()
			return nil
		case <-pause.C:
		}
	}
}
