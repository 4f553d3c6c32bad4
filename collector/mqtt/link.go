package mqtt

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// maxWaiting bounds the messages that wait in memory for the sink.
const maxWaiting = 16 << 10

// errRetake ends a connection so that the broker sends again what the sink
// refused: it does so only at the start of one.
var errRetake = errors.New("messages were not taken by the journal and are fetched again")

// link is one connection, from dialling to its end, with a library client of
// its own: the library's are not meant to be used twice, and its own
// reconnecting neither tells whether the broker kept the session nor stops in
// mid-wait.
type link struct {
	c  *Client
	up time.Time // when the broker accepted us; zero if it did not

	// over ends when the connection does, with the reason, or when the client
	// stops. Handlers wait on it, never on the network.
	over context.Context
	end  context.CancelCauseFunc

	heard atomic.Bool   // messages of others have come since the last look
	news  chan struct{} // told of the first since the last look
	back  chan string   // payloads of probes that have come back

	queue chan received // from the library to the sink
	acks  ackQueue
	once  sync.Once
}

// received is a message and what it weighs in hand.
type received struct {
	paho.Message
	at     time.Time
	weight int64
}

func newLink(c *Client) *link {
	return &link{c: c, queue: make(chan received, maxWaiting), news: make(chan struct{}, 1), back: make(chan string, 1)}
}

// run connects, receives until the connection is lost or ctx ends, and leaves
// nothing running. It returns why the connection ended.
func (l *link) run(ctx context.Context) error {
	l.over, l.end = context.WithCancelCause(ctx)
	defer l.end(nil)
	conn, err := dial(ctx, l.c.target, l.c.opt.Broker)
	if err != nil {
		return err
	}
	g := newGuard(conn, l.c.limit, l.end)
	defer g.Close()
	options, err := l.options(g)
	if err != nil {
		return err
	}

	// Both run before the connection: a kept session's messages follow the
	// broker's greeting at once.
	var workers sync.WaitGroup
	workers.Go(l.feed)
	l.acks.init()
	workers.Go(l.acks.run)

	client := paho.NewClient(options)
	present, err := greet(l.over, client, g, l.c.times.answer)
	if err == nil {
		l.up = time.Now()
		err = l.serve(client, present)
	}
	stopping := ctx.Err() != nil
	l.end(err)
	if stopping && !l.up.IsZero() {
		drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
		defer cancel()
		if l.c.hand.drained(drain) != nil {
			l.c.opt.Log.Warn("stops before everything received was committed; the broker will send it again", "broker", l.c.opt.Name)
		}
		l.acks.close(true)
		workers.Wait()
		g.part()
		client.Disconnect(uint(partTime.Milliseconds()))
		return err
	}
	l.acks.close(false)
	_ = g.Close() // ends the library's goroutines, and with them a pending acknowledgement
	client.Disconnect(0)
	workers.Wait()
	return err
}

// options are the library's settings for one connection.
func (l *link) options(g *guard) (*paho.ClientOptions, error) {
	o, err := guardedOptions(g, l.c.target, l.c.opt.Broker, l.c.times)
	if err != nil {
		return nil, err
	}
	o.SetClientID(l.c.id.ClientID)
	o.SetCleanSession(false)   // the broker keeps messages while we are away
	o.SetAutoAckDisabled(true) // acknowledged after the commit
	// The only handler, in place before the connection: a message that finds
	// none is never acknowledged and fills the broker's window.
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { l.receive(m) })
	return o, nil
}

// serve subscribes and waits for the end.
func (l *link) serve(client paho.Client, present bool) error {
	c := l.c
	defer c.stats.up.Store(false)
	c.set("connection", health.Ok, "", "")
	c.opt.Log.Info("connected to the broker", "broker", c.opt.Name, "addr", c.target.host, "client_id", c.id.ClientID, "session_kept", present)
	c.stats.connections.Add(1)
	l.session(present)
	c.seen(l)
	settled := time.NewTimer(time.Minute)
	defer settled.Stop()
	again := time.NewTimer(0)
	defer again.Stop()
	look := time.NewTimer(never)
	defer look.Stop()
	shown := time.NewTimer(time.Until(c.gapShown))
	defer shown.Stop()
	for {
		select {
		case <-l.over.Done():
			return context.Cause(l.over)
		case <-again.C:
			up := l.subscribe(client)
			c.stats.up.Store(up)
			if up {
				look.Reset(c.times.probeFirst)
			} else {
				again.Reset(c.times.resubscribe)
			}
		case <-look.C:
			if next := l.probe(client); next > 0 {
				look.Reset(next)
			}
		case payload := <-l.back:
			if l.probeBack(payload) {
				look.Reset(c.times.probeEvery)
			}
		case <-l.news:
			l.delivers()
		case <-shown.C:
			c.set("session", health.Ok, "", "")
		case <-settled.C:
			c.oversized = 0
			c.set("packet size", health.Ok, "", "")
			c.set("client id", health.Ok, "", "")
		}
	}
}

// never is longer than any connection.
const never = 100 * 365 * 24 * time.Hour

// gapTime is how long a lost session is shown: what is missing stays missing,
// and somebody should have seen it.
const gapTime = 24 * time.Hour

// session reports a session that the broker should have kept and did not: what
// was sent in between may be missing. The log keeps from when to when.
func (l *link) session(present bool) {
	c := l.c
	if present || !c.id.Session {
		if time.Now().After(c.gapShown) {
			c.set("session", health.Ok, "", "")
		}
		return
	}
	c.stats.sessionsLost.Add(1)
	c.gapShown = l.up.Add(gapTime)
	from := c.lastSeen
	if from.IsZero() {
		from = c.id.Seen // of the run before
	}
	since := "while dwindle was not running"
	if !from.IsZero() {
		since = "from " + from.UTC().Format(time.RFC3339) + " to " + l.up.UTC().Format(time.RFC3339)
	}
	c.opt.Log.Warn("possible gap: the broker has forgotten our session", "broker", c.opt.Name, "sent", since)
	c.set("session", health.Warn, "the broker has forgotten our session: messages sent "+since+" may be missing",
		"turn on persistence in the broker and let sessions live for 30 days or more; devices that count on make up for it with their next message. This is shown for a day")
	if c.opt.Notice == nil {
		return
	}
	n := reading.Notice{
		Kind: SessionLost, About: c.opt.Name, At: from.UTC(), Until: l.up.UTC(),
		Words:    "messages sent meanwhile over broker " + c.opt.Name + " may be missing, because it has forgotten our session",
		Evidence: "the broker at " + c.target.host + " found no session for client id " + c.id.ClientID,
	}
	if from.IsZero() {
		n.At = n.Until
	}
	c.opt.Notice(n)
}

// subscribe asks for the topics, each time: a session may be lost without our
// seeing it. It reports whether all were granted.
func (l *link) subscribe(client paho.Client) bool {
	c := l.c
	if gone := c.filtersGone(); len(gone) > 0 {
		if t := client.Unsubscribe(gone...); !t.WaitTimeout(c.times.answer) || t.Error() != nil {
			return false
		}
	}
	if err := c.id.asks(c.opt.Filters); err != nil {
		c.opt.Log.Warn("the broker's session cannot be noted", "broker", c.opt.Name, "error", err)
	}
	refused, weak, err := subscribe(client, c.opt.Filters, c.times.answer)
	switch {
	case errors.Is(err, errUnanswered) && l.over.Err() == nil:
		c.set("subscription", health.Bad, err.Error(), "see the broker's log; attempts go on")
		return false
	case err != nil:
		return false // the connection went away meanwhile
	case len(refused) > 0:
		c.set("subscription", health.Bad, "the broker refuses the subscription to "+strings.Join(refused, ", "),
			fmt.Sprintf("check the access list of the broker: the account %q must be allowed to read these topics", c.opt.Broker.Username))
		return false
	case len(weak) > 0:
		c.set("subscription", health.Warn, "the broker grants QoS 0 only: it may drop messages to "+strings.Join(weak, ", "),
			"allow QoS 1 in the broker (max_qos in mosquitto)")
	default:
		c.set("subscription", health.Ok, "", "")
	}
	if c.opt.Broker.DroppedCounter {
		// Many accounts may not read it, and not all brokers have it: then it
		// is not known, which is no fault.
		client.Subscribe(droppedTopic, 0, nil).WaitTimeout(c.times.answer)
	}
	if err := c.id.opened(c.opt.Filters); err != nil {
		c.opt.Log.Warn("the broker's session cannot be noted", "broker", c.opt.Name, "error", err)
	}
	return true
}

// receive is the library's handler. It must not wait for the network, and it
// waits for room only: see Client.
func (l *link) receive(m paho.Message) {
	if strings.HasPrefix(m.Topic(), "$") {
		l.c.stats.figure(m.Topic(), m.Payload())
		m.Ack() // the broker's own figures
		return
	}
	if isProbe(l.c.opt.ProbeBelow, m.Topic(), m.Payload()) {
		m.Ack()
		select {
		case l.back <- string(m.Payload()):
		default: // somebody floods us with them; one of ours is missed
		}
		return
	}
	l.c.stats.message(m.Duplicate())
	if !l.heard.Swap(true) {
		select {
		case l.news <- struct{}{}:
		default:
		}
	}
	r := received{Message: m, at: time.Now().UTC(), weight: weight(m.Topic(), m.Payload())}
	if l.c.hand.take(l.over, r.weight) != nil {
		return // not acknowledged: it comes again
	}
	select {
	case l.queue <- r:
		if l.over.Err() != nil {
			l.drop() // feed may have emptied the queue just before
		}
	case <-l.over.Done():
		l.c.hand.give(r.weight)
	}
}

// feed moves messages from the library to the sink until the connection ends.
func (l *link) feed() {
	for {
		select {
		case <-l.over.Done():
			l.drop()
			return
		case r := <-l.queue:
			if l.over.Err() != nil {
				l.c.hand.give(r.weight)
				continue
			}
			l.submit(r)
		}
	}
}

// drop gives up what waits: it was not acknowledged.
func (l *link) drop() {
	for {
		select {
		case r := <-l.queue:
			l.c.hand.give(r.weight)
		default:
			return
		}
	}
}

func (l *link) submit(r received) {
	var once sync.Once
	m := reading.Message{
		Topic: r.Topic(), Payload: r.Payload(), Received: r.at,
		Retained: r.Retained(), Dup: r.Duplicate(), Source: l.c.opt.Name,
	}
	m.Done = func(err error) {
		once.Do(func() {
			if err == nil {
				l.acks.add(r.Message)
				l.c.stats.acknowledged.Add(1)
			} else {
				l.refused(err)
			}
			l.c.hand.give(r.weight) // last: a drained hand has all its answers queued
		})
	}
	if err := l.c.opt.Sink(l.over, m); err != nil {
		m.Done(err)
	}
}

// refused plans to fetch again what the sink did not take.
func (l *link) refused(err error) {
	if l.over.Err() != nil {
		return // it comes again anyway
	}
	l.once.Do(func() {
		l.c.opt.Log.Warn("messages were not taken; they stay with the broker", "broker", l.c.opt.Name, "error", err, "again_in", l.c.times.retake)
		timer := time.AfterFunc(l.c.times.retake, func() { l.end(errRetake) })
		context.AfterFunc(l.over, func() { timer.Stop() })
	})
}
