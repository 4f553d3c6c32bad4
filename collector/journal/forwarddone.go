package journal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"
)

// How seldom places are written: what is sent again after a start changes
// nothing, and flash wears. Where many channels have moved it is still more
// seldom, and sooner where much was sent.
const (
	placesEvery  = 5 * time.Minute
	placesEach   = 50 * time.Millisecond // for every channel that has moved
	placesRows   = 500_000
	placesAtOnce = 1000 // channels in one transaction, so that messages never wait long
)

// Done says that the receiver has taken a parcel, the oldest that is not done yet,
// but for what it refused: that is kept aside. With an error nothing has changed,
// and it can be called again.
func (o *Outbox) Done(ctx context.Context, p Parcel, refused []Refused) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.given) == 0 || o.given[0].n != p.n {
		return errors.New("a parcel is done that is not the oldest one under way")
	}
	h := o.given[0]
	if h.queued || len(refused)+len(h.resent) > 0 {
		if err := o.settle(ctx, &p, h, refused); err != nil {
			return err
		}
	}
	o.given = o.given[1:]
	o.apply(h)
	o.unsave += int64(len(p.Readings))
	if err := o.savePlaces(ctx, false); err != nil {
		// Nothing is lost: it would be sent again.
		o.j.log.Warn("how far the receiver has come could not be written", "err", err)
	}
	return nil
}

// apply moves the places in memory.
func (o *Outbox) apply(h *handed) {
	f := o.f
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, m := range h.moved {
		m.c.done = max(m.c.done, m.to)
	}
	f.confirms.settle(h.confirmed, true)
	f.rows = max(0, f.rows-h.rows)
	if h.n > 0 {
		f.taken = time.Now().UTC()
	}
	if len(o.given) == 0 && len(o.work) == 0 && !slices.ContainsFunc(f.waiting, func(c *forwardChannel) bool { return c.newest > c.read }) {
		f.rows, f.roughly = 0, false
	}
}

// settle takes what the receiver has out of the queues, and keeps aside what it
// refused.
func (o *Outbox) settle(ctx context.Context, p *Parcel, h *handed, refused []Refused) error {
	j := o.j
	var late, facts int64
	var lines bool
	var counts map[string]int64
	release, err := j.hold()
	if err != nil {
		return fmt.Errorf("note what was forwarded: %w", err)
	}
	defer release()
	if err := o.current(); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	err = inTx(ctx, j.w, func() error {
		counts = map[string]int64{}
		gone := func(text string, args ...any) (int64, error) {
			done, err := j.w.ExecContext(ctx, text, args...)
			if err != nil {
				return 0, err
			}
			return done.RowsAffected()
		}
		q := &h.queues
		if len(p.Ranges) > 0 {
			if late, err = gone("DELETE FROM forward_late WHERE seq <= ?", q.late); err != nil {
				return err
			}
			if q.part > q.late {
				if _, err := gone("UPDATE forward_late SET first = max(first, ?) WHERE seq = ?", q.from, q.part); err != nil {
					return err
				}
			}
		}
		if len(p.Facts) > 0 {
			if facts, err = gone("DELETE FROM forward_fact WHERE seq <= ?", q.fact); err != nil {
				return err
			}
		}
		if len(p.Lines) > 0 {
			n, err := gone("DELETE FROM forward_line WHERE seq <= ?", q.line)
			if err != nil {
				return err
			}
			lines = n > 0
		}
		for _, id := range h.resent {
			if err := j.dropRefused(ctx, nil, "id = ?", id); err != nil {
				return err
			}
		}
		if len(refused) > 0 {
			if err := j.keepRefused(ctx, refused, counts); err != nil {
				return err
			}
			// Or the same would be refused again after a start.
			for _, m := range h.moved {
				if err := j.savePlace(ctx, m.c.id, m.to); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		j.refused.bytes = -1 // counted anew
		return fmt.Errorf("note what was forwarded: %w", j.fault(err))
	}
	j.refused.change.Add(1)
	j.countMore(counts)
	f := o.f
	if lines {
		f.lines = nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.late, f.facts = max(0, f.late-late), max(0, f.facts-facts)
	return nil
}

// Back has all that is not done given out again.
func (o *Outbox) Back() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, h := range slices.Backward(o.given) {
		o.takeBack(h)
	}
	o.given, o.work, o.read = nil, nil, queues{}
	o.f.wake()
}

// takeBack puts places back to where they were before a parcel.
func (o *Outbox) takeBack(h *handed) {
	f := o.f
	f.mu.Lock()
	defer f.mu.Unlock()
	f.confirms.settle(h.confirmed, false)
	for _, m := range slices.Backward(h.moved) {
		m.c.read, m.c.next = m.read, m.next
		if m.c.newest > m.c.read {
			f.wait(m.c)
		}
	}
}

func (j *Journal) savePlace(ctx context.Context, id, at int64) error {
	_, err := j.w.ExecContext(ctx, "INSERT INTO forward VALUES (?, ?) ON CONFLICT DO UPDATE SET at = max(at, excluded.at)", id, at)
	return err
}

// savePlaces writes how far the channels are done, if that is due.
func (o *Outbox) savePlaces(ctx context.Context, now bool) error {
	f := o.f
	since := time.Since(o.saved)
	if !now && !o.saved.IsZero() && since < placesEvery && o.unsave < placesRows {
		return nil
	}
	moved := f.moved()
	if !now && !o.saved.IsZero() && since < time.Duration(len(moved))*placesEach && o.unsave < placesRows {
		return nil
	}
	o.saved, o.unsave = time.Now(), 0
	for len(moved) > 0 {
		n := min(len(moved), placesAtOnce)
		err := o.j.write(ctx, "note how far the receiver has come", func(ctx context.Context) error {
			if err := o.current(); err != nil {
				return err
			}
			return o.j.writePlaces(ctx, moved[:n])
		})
		if err != nil {
			return err
		}
		f.written(moved[:n])
		moved = moved[n:]
	}
	return nil
}

// doneAt is how far a channel is done, ms.
type doneAt struct {
	c  *forwardChannel
	at int64
}

// moved gives the channels whose places in the file are behind, in their order.
func (f *forwarding) moved() []doneAt {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []doneAt
	for _, c := range f.channels {
		if c.done > c.saved {
			out = append(out, doneAt{c, c.done})
		}
	}
	slices.SortFunc(out, func(a, b doneAt) int { return cmp.Compare(a.c.id, b.c.id) })
	return out
}

func (f *forwarding) written(list []doneAt) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, x := range list {
		x.c.saved = max(x.c.saved, x.at)
	}
}

// writePlaces is part of a transaction.
func (j *Journal) writePlaces(ctx context.Context, list []doneAt) error {
	for _, x := range list {
		if err := j.savePlace(ctx, x.c.id, x.at); err != nil {
			return err
		}
	}
	f := j.fwd
	f.mu.Lock()
	taken := f.taken
	f.mu.Unlock()
	if taken.IsZero() {
		return nil
	}
	return j.setMeta(ctx, metaTaken, strconv.FormatInt(taken.UnixMilli(), 10))
}

// closePlaces is part of the transaction that closes the file.
func (j *Journal) closePlaces(ctx context.Context) error {
	if j.fwd == nil {
		return nil
	}
	if err := j.closeConfirmed(ctx); err != nil {
		return err
	}
	return j.writePlaces(ctx, j.fwd.moved())
}

func takenAt(text string) time.Time {
	ms, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}
