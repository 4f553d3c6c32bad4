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
	"strings"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/semaphore"

	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/reading"
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

// received is a message from the broker.
type received struct {
	topic    string
	payload  []byte
	retained bool
	at       time.Time
	weight   int64
}

// link is one connection.
type link struct {
	c      *Client
	up     time.Time // when the subscriptions were granted
	over   context.Context
	end    context.CancelCauseFunc
	queue  chan received
	opened chan time.Time
	conn   *mqtt.Guarded
	client paho.Client

	farewell []sparkplug.Publication // before leaving on purpose
}

// run connects, receives until the connection is lost or ctx ends, and leaves
// nothing running. It returns why the connection ended.
func (l *link) run(ctx context.Context) error {
	l.over, l.end = context.WithCancelCause(ctx)
	defer l.end(nil)
	conn, err := mqtt.DialGuarded(l.over, l.c.opt.Broker, l.end)
	if err != nil {
		return err
	}
	defer conn.Close()
	l.conn = conn
	o := conn.Options
	o.SetClientID(l.c.id)
	o.SetCleanSession(true) // tck-id-message-flow-phid-sparkplug-clean-session-311
	if will, ok := l.c.host.Opening(time.Now()); ok {
		o.SetBinaryWill(will.Topic, will.Payload, will.QoS, will.Retained)
	}
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { l.receive(m) })
	l.client = paho.NewClient(o)
	if err := conn.Greet(l.client); err != nil {
		l.end(err)
		return err
	}

	// A stop leaves some time to hand on what has come.
	handing, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(drainTime, stop) })()
	// What is retained comes before the answer to the subscription, so somebody
	// has to take it meanwhile.
	var work sync.WaitGroup
	work.Go(func() {
		l.work(handing)
		l.rest(handing, ctx.Err() != nil)
	})
	err = l.serve()
	stopping := ctx.Err() != nil
	l.end(err)
	work.Wait()
	if stopping {
		for _, p := range l.farewell {
			l.client.Publish(p.Topic, p.QoS, p.Retained, p.Payload).WaitTimeout(partTime)
		}
		conn.Part()
	} else {
		_ = conn.Close()
	}
	l.client.Disconnect(uint(partTime.Milliseconds()))
	return err
}

// serve subscribes and waits for the end.
func (l *link) serve() error {
	for {
		again, err := l.subscribe()
		if err != nil {
			return err
		}
		if !again {
			break
		}
		pause := time.NewTimer(longestWait)
		select {
		case <-l.over.Done():
			pause.Stop()
			return context.Cause(l.over)
		case <-pause.C:
		}
	}
	l.up = time.Now()
	l.c.up.Store(true)
	defer l.c.up.Store(false)
	l.c.counts.connections.Add(1)
	l.opened <- l.up
	l.connected()
	<-l.over.Done()
	return context.Cause(l.over)
}

// subscribe asks for the topics; again says that some were refused.
func (l *link) subscribe() (again bool, err error) {
	refused, err := l.conn.Subscribe(l.client, l.c.filters())
	switch {
	case err != nil && l.over.Err() != nil:
		return false, context.Cause(l.over)
	case err != nil:
		return false, err
	case len(refused) > 0:
		l.c.opt.Health.Set(checkSubscription, health.Bad, "the broker refuses the subscription to "+strings.Join(refused, ", "),
			fmt.Sprintf("check the access list of the broker: the account %q must be allowed to read these topics", l.c.opt.Broker.Username))
		return true, nil
	}
	l.c.opt.Health.Set(checkSubscription, health.Ok, "", "")
	return false, nil
}

// connected tells that we are there, and what nobody has kept for us.
func (l *link) connected() {
	c := l.c
	c.opt.Health.Set(checkConnection, health.Ok, "", "")
	c.opt.Log.Info("connected to the broker as a Sparkplug host", "addr", c.opt.Broker.URL, "host_id", c.opt.Host.ID, "primary", c.opt.Host.Primary)
	if c.opt.Host.Primary {
		c.opt.Health.Set(checkGap, health.Ok, "a primary host: edge nodes that name "+c.opt.Host.ID+" keep what they have while it is away", "")
		return
	}
	since := "while dwindle was not running"
	if !c.left.IsZero() {
		since = "from " + c.left.UTC().Format(time.RFC3339) + " to " + l.up.UTC().Format(time.RFC3339)
	}
	c.opt.Health.Set(checkGap, health.Ok, "what edge nodes sent "+since+" was not received: a Sparkplug session keeps nothing. Counters make up for it with their next value; or make this the primary host", "")
}

// receive is the library's handler; it waits for room only.
func (l *link) receive(m paho.Message) {
	r := received{topic: m.Topic(), payload: m.Payload(), retained: m.Retained(), at: time.Now().UTC()}
	r.weight = weight(r.topic, r.payload)
	l.c.counts.received.Add(1)
	if strings.HasPrefix(r.topic, "$") || l.c.in.Acquire(l.over, r.weight) != nil {
		return
	}
	select {
	case l.queue <- r:
	case <-l.over.Done():
		l.c.in.Release(r.weight)
	}
}

func weight(topic string, payload []byte) int64 { return int64(len(topic) + len(payload) + overhead) }

// work is the only one that uses the host: it takes messages, and does what
// is due when there are none. ctx ends the handing on.
func (l *link) work(ctx context.Context) {
	h := l.c.host
	timer := time.NewTimer(0)
	defer timer.Stop()
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		wait := time.Hour
		if due, ok := h.Due(); ok {
			wait = max(0, time.Until(due))
		}
		// Messages that have come before a timer come before it.
		if len(l.queue) > 0 {
			wait = time.Hour
		}
		timer.Reset(wait)
		select {
		case <-l.over.Done():
			return
		case r := <-l.queue:
			l.take(ctx, r)
		case now := <-l.opened:
			l.follow(ctx, h.Opened(now))
			l.look()
		case topic := <-l.c.missed:
			now := time.Now().UTC()
			l.follow(ctx, h.Missed(topic, now))
		case <-timer.C:
			now := time.Now().UTC()
			l.follow(ctx, h.Tick(now))
		case <-look.C:
			l.look()
		}
	}
}

func (l *link) take(ctx context.Context, r received) {
	l.follow(ctx, l.c.host.Receive(r.topic, r.payload, r.retained, r.at))
	l.c.in.Release(r.weight)
	stats := l.c.host.Stats()
	l.c.stats.Store(&stats)
}

// rest takes what came before the end. Before a stop, all that was handed on is
// answered.
func (l *link) rest(ctx context.Context, stopping bool) {
	for {
		select {
		case r := <-l.queue:
			l.take(ctx, r)
			continue
		default:
		}
		break
	}
	now := time.Now().UTC()
	l.farewell = l.c.host.Closing(now)
	l.follow(ctx, l.c.host.Closed(now))
	if stopping && l.c.out.Acquire(ctx, bytesInHand) == nil {
		l.c.out.Release(bytesInHand)
	}
}

// follow does what the host says.
func (l *link) follow(ctx context.Context, o sparkplug.Outcome) {
	c := l.c
	for _, change := range o.Changes {
		c.opt.Log.Info("sparkplug", "edge", change.Edge, "device", change.Device, "is", change.State.String(), "why", change.Why)
	}
	for _, m := range o.Messages {
		if c.opt.Wants != nil && !c.opt.Wants(m.Topic) {
			if c.unwanted++; c.unwantedTopic == "" {
				c.unwantedTopic = m.Topic
			}
			continue
		}
		c.wanted++
		w := min(weight(m.Topic, m.Payload), bytesInHand)
		if c.out.Acquire(ctx, w) != nil {
			continue // a stop that has waited long enough
		}
		var once sync.Once
		done := func(err error) {
			once.Do(func() {
				c.out.Release(w)
				if err == nil {
					return
				}
				select {
				case c.missed <- m.Topic:
				default: // its edge node is asked already, most likely
				}
			})
		}
		err := c.opt.Sink(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.Received.UTC(), Source: Source, Done: done})
		if err != nil {
			done(err)
		}
	}
	for _, p := range o.Publish {
		if l.over.Err() != nil {
			return
		}
		l.client.Publish(p.Topic, p.QoS, p.Retained, p.Payload)
	}
}

// look reports how the edge nodes stand.
func (l *link) look() {
	c := l.c
	stats, s := c.host.Stats(), c.host.Standing()
	c.stats.Store(&stats)
	standing := fmt.Sprintf("%d edge nodes online, %d offline, %d not known yet, %d with something missing",
		s.Edges[sparkplug.Online], s.Edges[sparkplug.Offline], s.Edges[sparkplug.Unknown], s.Edges[sparkplug.Stale])
	if len(s.Waiting) == 0 {
		c.opt.Health.Set(checkEdges, health.Ok, standing, "")
	} else {
		c.opt.Health.Set(checkEdges, health.Warn, standing+"; a new birth was asked for and has not come: "+strings.Join(s.Waiting, ", "),
			fmt.Sprintf("see that the account %q may publish to spBv1.0/+/NCMD/#, and that the edge node answers Node Control/Rebirth; or restart the edge node", c.opt.Broker.Username))
	}
	switch {
	case c.wanted > 0:
		c.opt.Health.Set(checkMapping, health.Ok, fmt.Sprintf("%d messages were of mapped topics, %d of others", c.wanted, c.unwanted), "")
	case c.unwanted > 0:
		c.opt.Health.Set(checkMapping, health.Warn, fmt.Sprintf("edge nodes are heard and nothing is stored: no mapping takes a topic such as %q", c.unwantedTopic),
			"a mapping with topic: spBv1.0/{area}/+/+/{device} under connections.mappings, which says what each metric is")
	}
	if stats.Foreign > 0 {
		c.opt.Health.Set(checkVersion, health.Warn, fmt.Sprintf("%d messages of another version of Sparkplug than spBv1.0 were not read", stats.Foreign), "let the edge node send Sparkplug B, version 3 or before")
	}
}
