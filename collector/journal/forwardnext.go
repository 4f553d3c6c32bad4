package journal

import (
	"context"
	"fmt"
	"math"
)

// handed is what a parcel stands for, until it is done or taken back.
type handed struct {
	n      int64
	moved  []move
	rows   int64 // readings that are not late
	oldest int64 // of the pieces, ms; math.MaxInt64: there are none
	queues queues
	resent []int64 // ids of refused lines

	confirmed []string // ids of facts that are in no queue of the file
	queued    bool     // something of a queue of the file is in it
}

// move is how far a parcel brings a channel, ms.
type move struct {
	c    *forwardChannel
	read int64 // before it
	next int64
	to   int64
}

// queues is how far the queues of the file were given out: the number of the last
// row; of part, a late stretch, only what is before from.
type queues struct {
	late, fact, line, resent int64
	part, from               int64
}

// filling is a parcel on its way.
type filling struct {
	Parcel
	handed
	most  int   // rows
	asked int64 // how often it was asked to send again what was refused
}

func (p *filling) room() int { return p.most - len(p.Readings) - len(p.Facts) - len(p.Lines) }

// Next gives what is to be sent next, of about maxRows rows at most: somewhat more
// where queues are long, and much more only where more increments than that are of
// one millisecond. An empty parcel: nothing waits. It may be called while earlier parcels are under way.
func (o *Outbox) Next(ctx context.Context, maxRows int) (Parcel, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	select {
	case <-o.f.ready:
	default:
	}
	p := &filling{most: max(maxRows, 1)}
	p.oldest = math.MaxInt64
	p.queues = o.read
	if err := o.fill(ctx, p); err != nil {
		o.f.wake()
		return Parcel{}, fmt.Errorf("read what is to be forwarded: %w", err)
	}
	if p.Empty() {
		// Places may have moved over nothing: with the parcel before, if one is
		// under way.
		if n := len(o.given); n > 0 {
			last := o.given[n-1]
			last.moved = append(last.moved, p.moved...)
			last.confirmed = append(last.confirmed, p.confirmed...)
		} else {
			o.apply(&p.handed)
		}
		return Parcel{}, nil
	}
	o.gave++
	p.Parcel.n, p.handed.n = o.gave, o.gave
	o.read = p.queues
	h := p.handed
	o.given = append(o.given, &h)
	return p.Parcel, o.gaveOut(ctx, &h)
}

// fill reads a parcel. What it gives out of channels it notes with them at once;
// where it fails that is taken back.
func (o *Outbox) fill(ctx context.Context, p *filling) (err error) {
	defer func() {
		if err != nil {
			o.takeBack(&p.handed)
			o.work = nil
		}
	}()
	// Before the snapshot: what is committed in between is late as well.
	if len(o.work) == 0 {
		if err := o.nextSlice(); err != nil {
			return err
		}
	}
	o.confirmed(p, (p.most+3)/4)
	p.asked = o.f.resend.Load()
	s, err := o.j.Snapshot(ctx)
	if err != nil {
		return err
	}
	defer func() { s.Close() }()
	// Neither what is late nor what goes on may keep the other waiting.
	share := p.most
	if len(o.work) > 0 {
		share = (p.most + 1) / 2
	}
	if err := o.lateRanges(s, p, share); err != nil {
		return err
	}
	if err := o.confirmedFacts(s, p); err != nil {
		return err
	}
	if err := o.refusedAgain(s, p, (p.most+3)/4); err != nil {
		return err
	}
	if err := o.factsAndLines(s, p, (p.most+3)/4); err != nil {
		return err
	}
	p.Late = len(p.Readings)
	for {
		for len(o.work) > 0 && p.room() > 0 {
			if err := o.readPieces(s, p); err != nil {
				return err
			}
		}
		if len(o.work) > 0 {
			p.More = true
			return nil
		}
		if err := o.nextSlice(); err != nil || len(o.work) == 0 {
			return err
		}
		if p.room() <= p.most/8 { // not worth a new snapshot
			p.More = true
			return nil
		}
		s.Close()
		t, err := o.j.Snapshot(ctx)
		if err != nil {
			return err
		}
		s = t
	}
}
