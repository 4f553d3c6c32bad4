package collector

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// batch is a history that has read ahead for some devices.
type batch struct {
	*History
}

// Batch reads ahead for some devices. It answers as the history does, many times
// faster.
func (h *History) Batch(ctx context.Context, devices []string) (reading.Batch, error) {
	s, err := h.j.Fetch(ctx, devices)
	if err != nil {
		return nil, err
	}
	x := *h
	x.pin, x.ahead, x.sums = nil, s, sums.Get().(*daySums)
	return batch{&x}, nil
}

// Newest gives the time of a device's newest live reading or report at or before
// an instant.
func (b batch) Newest(_ context.Context, device string, until time.Time) (at time.Time, ok bool, err error) {
	at, _, ok, err = b.ahead.Newest(device, b.bound(until))
	if err != nil || !ok {
		return time.Time{}, false, err
	}
	return at, true, nil
}

// Close gives the journal's reader back.
func (b batch) Close() {
	b.ahead.Close()
	sums.Put(b.sums)
}

// sums are used by one batch after the other.
var sums = sync.Pool{New: func() any { return &daySums{} }}

// opened is a snapshot for one question.
type opened struct {
	*journal.Snapshot
	kept bool // for more questions
}

// Close ends the question.
func (o opened) Close() {
	if !o.kept {
		o.Snapshot.Close()
	}
}

// dayLengths remembers how long civil days are: asking the zone for each day of
// each series would cost more than all else about it.
type dayLengths struct {
	known atomic.Pointer[lengths]
}

type lengths struct {
	loc   *time.Location
	first civil.Date
	days  []time.Duration
}

// lengthsMost bounds the days that are remembered: some sixty years.
const lengthsMost = 22_000

func (l *dayLengths) of(d civil.Date, loc *time.Location) time.Duration {
	k := l.known.Load()
	if k != nil && k.loc == loc && d >= k.first && int(d-k.first) < len(k.days) {
		return k.days[d-k.first]
	}
	// A year about the day, and what is known already.
	first, last := int64(d)-200, int64(d)+200
	if k != nil && k.loc == loc {
		first, last = min(first, int64(k.first)), max(last, int64(k.first)+int64(len(k.days))-1)
	}
	if last-first >= lengthsMost {
		return d.Length(loc)
	}
	k = &lengths{loc: loc, first: civil.Date(first), days: make([]time.Duration, last-first+1)}
	for i := range k.days {
		k.days[i] = (k.first + civil.Date(i)).Length(loc)
	}
	l.known.Store(k)
	return k.days[d-k.first]
}
