package journal

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"
)

// Backlog says what waits.
func (o *Outbox) Backlog(ctx context.Context) (b Backlog, err error) {
	o.mu.Lock()
	oldest := int64(math.MaxInt64)
	for _, h := range o.given {
		oldest = min(oldest, h.oldest)
	}
	f := o.f
	f.mu.Lock()
	b.Target, b.Readings, b.Estimated, b.Taken = f.target, f.rows, f.roughly, f.taken
	for _, c := range f.channels {
		if c.newest > c.done {
			b.Channels++
			if c.newest > c.read {
				oldest = min(oldest, c.next)
			}
		}
	}
	confirmed := int64(len(f.confirms.list) + len(f.confirms.sent))
	f.mu.Unlock()
	o.mu.Unlock()
	if oldest != math.MaxInt64 {
		b.Oldest = time.UnixMilli(oldest).UTC()
	}
	if err := o.j.queuesOf(ctx, &b); err != nil {
		return b, err
	}
	b.Facts += confirmed
	return b, nil
}

// Forwarding says what waits for the receiver as the file has it, for a program
// beside the one that forwards: places are up to some minutes old. ok is false
// where nobody is named to receive.
func (j *Journal) Forwarding(ctx context.Context) (b Backlog, ok bool, err error) {
	if b.Target, err = metaOf(ctx, j.reader, metaForward); err != nil || b.Target == "" {
		return b, false, j.backlogError(err)
	}
	taken, err := metaOf(ctx, j.reader, metaTaken)
	if err != nil {
		return b, false, j.backlogError(err)
	}
	b.Taken = takenAt(taken)
	oldest := int64(math.MaxInt64)
	var list []*forwardChannel
	err = placesOf(ctx, j.reader, func(c *forwardChannel, waits bool) {
		if waits {
			oldest = min(oldest, c.next)
			list = append(list, c)
		}
	})
	if err != nil {
		return b, false, j.backlogError(err)
	}
	if len(list) > 0 {
		b.Channels, b.Oldest = len(list), time.UnixMilli(oldest).UTC()
	}
	b.Readings, b.Estimated, err = countWaiting(ctx, list, waitingIn(ctx, j.reader))
	if err != nil {
		return b, false, j.backlogError(err)
	}
	return b, true, j.queuesOf(ctx, &b)
}

// queuesOf counts the queues and what was given up.
func (j *Journal) queuesOf(ctx context.Context, b *Backlog) error {
	err := j.reader.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM forward_late), (SELECT count(*) FROM forward_fact), (SELECT count(*) FROM forward_line)").Scan(&b.Late, &b.Facts, &b.Lines)
	if err != nil {
		return j.backlogError(err)
	}
	b.GivenUp, b.Overwritten = map[string]int64{}, map[string]int64{}
	counters, err := j.Counters(ctx)
	if err != nil {
		return err
	}
	for name, n := range counters {
		if reason, ok := strings.CutPrefix(name, CountGivenUp); ok {
			b.GivenUp[reason] = n
		}
		if reason, ok := strings.CutPrefix(name, CountRefusedOverwritten); ok {
			b.Overwritten[reason] = n
		}
	}
	b.Refused, err = j.refusedByReason(ctx)
	return j.backlogError(err)
}

func (j *Journal) backlogError(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("look at the backlog of %s: %w", j.path, j.fault(err))
}
