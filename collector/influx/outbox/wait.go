package outbox

import (
	"context"
	"math/rand/v2"
	"time"
)

// How long is waited before the same is tried again.
const (
	firstWait         = time.Second      // the shortest
	longestWait       = time.Minute      // that a failure in a row comes to
	accessWait        = time.Minute      // for a token, a bucket or an organisation to be put right
	longestRetryAfter = 15 * time.Minute // that a server is given when it says how long
	spread            = 10               // a tenth is added at random, so that gateways do not come all at once
)

// waitFor is how long to wait after an answer, the try-th in a row that was no
// use, counted from 0. It is never below firstWait.
func waitFor(a answer, try int, now time.Time) time.Duration {
	switch a.reaction() {
	case denied, missing:
		return accessWait + rand.N(accessWait/spread)
	}
	if wait, ok := retryAfter(a.again, now); ok {
		// A server that says 0 or 1 again and again is given more.
		wait = max(wait, backoff(min(try, 4)))
		return wait + rand.N(wait/spread)
	}
	return backoff(try)
}

// backoff doubles with each try, half of it random.
func backoff(try int) time.Duration {
	d := longestWait
	if try < 6 {
		d = min(longestWait, 2*firstWait<<try)
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
	most  float64
	have  float64
	since time.Time
}

// quickRefusals may follow each other at once. A bad point in a batch of 5000 is
// found with some 25.
const quickRefusals = 60

func newPacer() *pacer { return &pacer{most: quickRefusals, have: quickRefusals} }

// refused takes note of one more, and says how long to wait before the next
// request.
func (p *pacer) refused(now time.Time) time.Duration {
	if !p.since.IsZero() {
		p.have = min(p.most, p.have+max(now.Sub(p.since), 0).Seconds())
	}
	p.since = now
	p.have--
	if p.have >= 0 {
		return 0
	}
	return time.Duration(-p.have * float64(time.Second))
}
