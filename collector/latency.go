package collector

import (
	"sync/atomic"
	"time"
)

// commitBounds are the upper bounds of the commit times that are told apart.
// A flush takes about a millisecond on a good SSD, tens to hundreds on flash
// cards, and seconds when such a card tidies up (common practice).
var commitBounds = [...]time.Duration{
	time.Millisecond, 2500 * time.Microsecond, 5 * time.Millisecond, 10 * time.Millisecond, 25 * time.Millisecond,
	50 * time.Millisecond, 100 * time.Millisecond, 250 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 2500 * time.Millisecond, 5 * time.Second, 10 * time.Second, 30 * time.Second,
}

// commits counts what commits took, since the program began.
type commits struct {
	upTo   [len(commitBounds) + 1]atomic.Int64 // by the first bound that holds; the last is beyond all
	sum    atomic.Int64                        // ns
	failed atomic.Int64
	last   atomic.Int64 // when the last one ended well, Unix ms
}

func (c *commits) ended(took time.Duration, at time.Time, err error) {
	if err != nil {
		c.failed.Add(1)
		return
	}
	i := 0
	for i < len(commitBounds) && took > commitBounds[i] {
		i++
	}
	c.upTo[i].Add(1)
	c.sum.Add(int64(took))
	c.last.Store(at.UnixMilli())
}

// Latency is how long commits took since the program began.
type Latency struct {
	Bounds []time.Duration // upper bounds, ascending
	UpTo   []int64         // commits that took at most so long
	Count  int64           // all commits
	Sum    time.Duration   // of all
}

func (c *commits) latency() Latency {
	l := Latency{Bounds: append([]time.Duration(nil), commitBounds[:]...), Sum: time.Duration(c.sum.Load())}
	for i := range c.upTo {
		l.Count += c.upTo[i].Load()
		if i < len(commitBounds) {
			l.UpTo = append(l.UpTo, l.Count)
		}
	}
	return l
}
