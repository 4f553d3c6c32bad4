package mqtt

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"dwindle/collector/health"
)

// A broker may grant a subscription and then deliver nothing: mosquitto does so
// where its access list forbids reading, others where they do not really know a
// kind of filter. MQTT has no word for it. So while nothing is delivered, a
// small message of our own goes out below the subscription and is expected
// back.
//
// Whether we may publish there cannot be asked either: MQTT 3.1.1 has no
// negative acknowledgement. One that does not come back therefore proves little
// by itself, and the rules are made so that an account that may only read is
// not blamed: any message of others is proof that the subscription delivers,
// and is remembered over restarts. A finding is made where nothing was ever
// delivered, or where probes came back and do so no longer.
//
// Probes are of QoS 0, so that no session keeps them, and are never handed to
// the sink, neither ours nor those of another installation.

const (
	// probeMark begins the payload of a probe.
	probeMark = "dwindle probe "
	// probeKind is the last level of its topic.
	probeKind = "/probe"
	// A probe of QoS 0 may get lost on its way, so one miss is none.
	probeMisses = 2
	// A broker that ends the connection so soon after a probe, so often,
	// forbids publishing and says so in the only way it has.
	probePunish   = 5 * time.Second
	probePunished = 2
)

// prober is what a client knows about its probes over all its connections. The
// goroutine that runs the client uses it.
type prober struct {
	topic string // where probes go; empty: none are sent
	run   string // tells our probes from those of an earlier run
	count int

	pending  string // payload of the one under way
	sentAt   time.Time
	missed   int  // in a row
	echoed   bool // one came back in this run
	punished int
}

// newProber prepares probes below a branch of topics, under a level that the
// broker's access list is likely to let us write: the recipe gives each account
// the branch of its own name.
func newProber(below, username, clientID string) prober {
	if below == "" {
		return prober{}
	}
	name := "dwindle"
	for _, s := range []string{clientID, username} {
		if s != "" && len(s) <= 64 && !strings.ContainsAny(s, "+#/$\x00") {
			name = s
		}
	}
	var b [4]byte
	_, _ = rand.Read(b[:]) // never fails
	return prober{topic: below + "/" + name + probeKind, run: hex.EncodeToString(b[:])}
}

// isProbe says whether a message is a probe, of ours or of others.
func isProbe(below, topic string, payload []byte) bool {
	if below == "" || !strings.HasSuffix(topic, probeKind) || !bytes.HasPrefix(payload, []byte(probeMark)) {
		return false
	}
	rest := strings.TrimSuffix(topic, probeKind)
	if !strings.HasPrefix(rest, below) {
		return false
	}
	name, ok := strings.CutPrefix(rest[len(below):], "/")
	return ok && name != "" && !strings.Contains(name, "/")
}

// next is the payload of the next probe.
func (p *prober) next() string {
	p.count++
	p.pending = probeMark + p.run + " " + strconv.Itoa(p.count)
	return p.pending
}

// probe is called when a look at the deliveries is due, and returns when the
// next one is; 0: not on this connection.
func (l *link) probe(client paho.Client) time.Duration {
	c, p := l.c, &l.c.prober
	if p.topic == "" || p.punished >= probePunished {
		return 0
	}
	if l.heard.Swap(false) { // messages are the better proof
		p.pending, p.missed = "", 0
		return c.times.probeEvery
	}
	if p.pending != "" {
		p.missed++
		p.pending = ""
		if p.missed >= probeMisses {
			return l.probeMissed()
		}
	}
	p.sentAt = time.Now()
	c.stats.probes.Add(1)
	// Bounded by the time for writes; that it went out is told by its coming
	// back only.
	client.Publish(p.topic, 0, false, p.next())
	return c.times.probeAnswer
}

// probeMissed judges probes that did not come back.
func (l *link) probeMissed() time.Duration {
	c, p := l.c, &l.c.prober
	at := "the broker at " + c.target.host
	try := fmt.Sprintf("check the broker's access list: the account %q must be allowed to read %s; for the probe it must also be allowed to write %s, else set probe: false for this broker",
		c.opt.Broker.Username, strings.Join(c.opt.Filters, ", "), p.topic)
	switch {
	case p.echoed:
		c.set("delivery", health.Warn, at+" delivers nothing any more: probes came back before and do so no longer", try)
	case !c.id.hasDelivered(c.opt.Filters):
		c.set("delivery", health.Warn, at+" has granted the subscription, but no message has come yet and a probe did not come back: reading or writing is forbidden there", try)
	default:
		// Messages have come before, so we may read; we may not write, and
		// probes say nothing.
		return 0
	}
	return c.times.probeEvery
}

// probeBack notes a probe that has come in; those of others and of before do
// not count. It reports whether it was the one under way.
func (l *link) probeBack(payload string) bool {
	c, p := l.c, &l.c.prober
	if p.pending == "" || payload != p.pending {
		return false
	}
	p.pending, p.missed, p.echoed, p.punished = "", 0, true, 0
	c.stats.probesBack.Add(1)
	c.set("delivery", health.Ok, "", "")
	return true
}

// delivers notes that a message of others has come.
func (l *link) delivers() {
	c := l.c
	c.prober.missed = 0
	c.set("delivery", health.Ok, "", "")
	if err := c.id.delivered(c.opt.Filters); err != nil {
		c.opt.Log.Warn("it cannot be noted that the broker delivers", "broker", c.opt.Name, "error", err)
	}
}

// probeCut is called when a connection has ended: by a broker that answers a
// probe so, the next connection had better not try.
func (c *Client) probeCut(ended time.Time) {
	p := &c.prober
	cut := p.pending != "" && ended.Sub(p.sentAt) < probePunish
	p.pending = ""
	if !cut {
		return
	}
	if p.punished++; p.punished == probePunished {
		c.set("delivery", health.Ok, "not probed: the broker ends the connection when something is published", "")
		c.opt.Log.Info("the broker ends the connection upon a probe; none are sent any more", "broker", c.opt.Name, "topic", p.topic)
	}
}
