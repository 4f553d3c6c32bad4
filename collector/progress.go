package collector

import (
	"context"
	"sync/atomic"
	"time"
)

// progress is when the way from queue to disk last moved.
//
// It moves whenever a commit ends, well or not, whenever all of a batch are
// answered, and whenever a beat has gone through decoding and writing. So a
// disk that is full, read-only or gone is no standstill: each attempt ends with
// an error, which health tells, and a restart would mend nothing. A commit that
// never comes back (a disk that hangs in a flush), an answer that never ends
// and a decoder that never returns are one. Nor is waiting for the clock to be
// set.
type progress struct {
	began   time.Time
	moved   atomic.Int64 // ns after began, on the clock that nobody sets
	beating atomic.Bool  // a beat is under way
}

func newProgress() *progress { return &progress{began: time.Now()} }

func (p *progress) note() { p.moved.Store(int64(time.Since(p.began))) }

// during is for a work that takes long and has no steps: it counts as moving
// until the caller ends it, within a bound.
func (p *progress) during(most time.Duration) (end func()) {
	ctx, cancel := context.WithTimeout(context.Background(), most)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for ctx.Err() == nil {
			p.note()
			select {
			case <-ctx.Done():
			case <-tick.C:
			}
		}
	}()
	return func() { cancel(); <-ended }
}

// arrived ends a beat.
func (p *progress) arrived() {
	p.note()
	p.beating.Store(false)
}

// Beat sends a beat through the queue, decoding and writing, so that an idle
// intake shows that it could work. It never waits: where the queue is full or a
// beat is under way already, that one or the messages in the queue have to
// arrive.
func (in *Intake) Beat() {
	in.mu.RLock()
	if in.stopped || !in.progress.beating.CompareAndSwap(false, true) {
		in.mu.RUnlock()
		return
	}
	in.senders.Add(1)
	in.mu.RUnlock()
	defer in.senders.Done()
	select {
	case in.queue <- item{beat: true}:
	default:
		in.progress.beating.Store(false)
	}
}

// Still says for how long the way to the disk has not moved. Without [Intake.Beat] an
// intake that nobody sends to stands still as well.
func (in *Intake) Still() time.Duration {
	return max(0, time.Since(in.progress.began)-time.Duration(in.progress.moved.Load()))
}
