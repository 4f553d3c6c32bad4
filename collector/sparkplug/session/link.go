package session

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"dwindle/collector/health"
	"dwindle/collector/mqtt"
	"dwindle/collector/reading"
	"dwindle/collector/sparkplug"
)

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
