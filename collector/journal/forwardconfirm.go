package journal

import (
	"fmt"
	"slices"
)

// A setting that a device repeats with every message is one fact, of which only
// the time moves until which it is known to hold. The receiver has to hear of
// that, since it is a sign of life; but while a fact waits to be read it need not
// be queued again, or a receiver that is away for days would fill the disk.

// confirms are the facts that wait in the queue since they were confirmed.
type confirms struct {
	wait map[string]struct{}
	// The queue is being read: what is confirmed now may be read as it was, so it
	// is queued in any case.
	reading bool
}

// forwardConfirmed notes for the receiver, if there is one, that a fact stands as
// before, but until another time.
func (c *commit) forwardConfirmed(id string) error {
	f := c.j.fwd
	if f == nil {
		return nil
	}
	f.mu.Lock()
	_, waits := f.confirms.wait[id]
	read := f.confirms.reading
	f.mu.Unlock()
	if !read && (waits || slices.Contains(c.news.confirmed, id)) {
		return nil
	}
	if _, err := c.j.stmts[stmtForwardFact].ExecContext(c.ctx, id, nil); err != nil {
		return fmt.Errorf("note fact %s for the receiver: %w", id, err)
	}
	c.news.facts++
	if !read {
		// The reading cannot begin before this commit has ended.
		c.news.confirmed = append(c.news.confirmed, id)
	}
	return nil
}

// readFacts says that the queue of facts is being read, until it is ended. No
// commit is under way when it returns.
func (o *Outbox) readFacts() (end func(), err error) {
	o.j.mu.Lock()
	defer o.j.mu.Unlock()
	if err := o.current(); err != nil {
		return nil, err
	}
	f := o.f
	f.mu.Lock()
	defer f.mu.Unlock()
	f.confirms.reading = true
	clear(f.confirms.wait)
	return func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.confirms.reading = false
	}, nil
}
