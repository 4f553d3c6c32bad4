package outbox

import (
	"sync"
	"sync/atomic"
	"time"
)

// Stats are counts since the sender was made, but for the last four.
type Stats struct {
	Up       bool             // what was sent last was taken
	Written  int64            // points that the receiver took
	Batches  int64            // requests that it took
	Requests int64            // all that were sent to be written
	Retried  int64            // requests sent again, whatever the cause
	Refused  map[string]int64 // points by reason, one of [Reasons]
	Bytes    int64            // line protocol in all requests
	Sent     int64            // of it after gzip
	Ranges   int64            // late ranges written
	Deleted  int64            // ranges deleted at the receiver
	// Undeleted are ranges that the receiver could not delete: what was taken
	// back here is still there.
	Undeleted int64

	Backlog     int64         // rows that wait, about
	Behind      time.Duration // how long the oldest has waited
	Known       bool          // whether these two are known
	LastWritten time.Time     // zero: nothing was yet
	// Waiting is what the journal's outbox said last, if Known; its maps must not
	// be changed.
	Waiting Backlog
}

type counters struct {
	up                                                                                 atomic.Bool
	written, batches, requests, retried, bytes, sent, ranges, deleted, undeleted, last atomic.Int64

	mu      sync.Mutex
	refused map[string]int64
	backlog Backlog
	known   bool
}

func (c *counters) refuse(reason string, n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.refused == nil {
		c.refused = map[string]int64{}
	}
	c.refused[reason] += int64(n)
}

// wrote notes a request that was taken.
func (c *counters) wrote(points int, now time.Time) {
	c.written.Add(int64(points))
	c.batches.Add(1)
	c.last.Store(now.UnixNano())
}

func (c *counters) lastWritten() time.Time {
	if ns := c.last.Load(); ns != 0 {
		return time.Unix(0, ns).UTC()
	}
	return time.Time{}
}

// Stats gives the counts; it may be called at any time.
func (s *Sender) Stats() Stats {
	c := &s.stats
	out := Stats{
		Up: c.up.Load(), Written: c.written.Load(), Batches: c.batches.Load(), Requests: c.requests.Load(),
		Retried: c.retried.Load(), Bytes: c.bytes.Load(), Sent: c.sent.Load(), Ranges: c.ranges.Load(),
		Deleted: c.deleted.Load(), Undeleted: c.undeleted.Load(), LastWritten: c.lastWritten(),
		Refused: map[string]int64{},
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, reason := range Reasons {
		out.Refused[reason] = c.refused[reason]
	}
	out.Backlog, out.Known, out.Waiting = rowsOf(c.backlog), c.known, c.backlog
	if c.known && !c.backlog.Oldest.IsZero() {
		out.Behind = max(time.Since(c.backlog.Oldest), 0)
	}
	return out
}
