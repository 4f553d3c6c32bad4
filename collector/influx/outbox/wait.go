package outbox

import (
	"context"
	"math/rand/v2"
	"time"

	"dwindle/collector/influx/connect"
)

// times are how long is waited for what. Tests shorten them.
type times struct {
	dial    time.Duration // for the connection, and again for the TLS handshake
	header  time.Duration // from the last byte sent to the first of the answer
	request time.Duration // for all of it

	first      time.Duration // the shortest wait before the same is sent again
	longest    time.Duration // that a failure in a row comes to
	access     time.Duration // for a token, a bucket or an organisation to be put right
	retryAfter time.Duration // that a server is given at most when it says how long
}

// An InfluxDB that is busy compacting may take tens of seconds for a batch, and
// a metered line as long to send it (from memory).
var usualTimes = times{
	dial: 10 * time.Second, header: time.Minute, request: 2 * time.Minute,
	first: time.Second, longest: time.Minute, access: time.Minute, retryAfter: 15 * time.Minute,
}

// spread is the part that is added at random, so that gateways do not come all
// at once: a tenth. A proposal.
const spread = 10

// after is how long to wait after an answer, the try-th in a row that was of no
// use, counted from 0.
func (t times) after(a answer, try int, now time.Time) time.Duration {
	switch a.reaction() {
	case denied, missing:
		return t.access + rand.N(t.access/spread)
	}
	if wait, ok := connect.RetryAfter(a.again, now); ok {
		// A server that says 0 or 1 again and again is given more.
		wait = max(min(wait, t.retryAfter), t.backoff(min(try, 4)))
		return wait + rand.N(wait/spread)
	}
	return t.backoff(try)
}

// backoff doubles with each try, half of it random.
func (t times) backoff(try int) time.Duration {
	d := t.longest
	if try < 6 {
		d = min(t.longest, 2*t.first<<try)
	}
	return d/2 + rand.N(d/2)
}

// pause waits; it reports whether ctx lasted as long.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// pacer bounds requests that are refused, so that looking for bad points does
// not become an attack on the server: so many at once, then one a second.
type pacer struct {
	have  float64
	since time.Time
}

// quickRefusals may follow each other at once. A bad point in a batch of 5000 is
// found with some 25. A proposal.
const quickRefusals = 60

func newPacer() *pacer { return &pacer{have: quickRefusals} }

// refused takes note of one more, and says how long to wait before the next
// request.
func (p *pacer) refused(now time.Time) time.Duration {
	if !p.since.IsZero() {
		p.have = min(quickRefusals, p.have+max(now.Sub(p.since), 0).Seconds())
	}
	p.since = now
	p.have--
	if p.have >= 0 {
		return 0
	}
	return time.Duration(-p.have * float64(time.Second))
}
