package outbox

import (
	"bytes"
	"slices"
	"sync/atomic"
	"time"

	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// lastSent is the time of the last point of the change feed, in ns: no two share
// one, also not those of two senders one after the other.
var lastSent atomic.Int64

// sentBack is how far the time may go back for what is dated to go on from the
// last; a step of more has put right a clock that was wrong.
const sentBack = time.Hour

func (s *Sender) sentAt() time.Time {
	for {
		last, now := lastSent.Load(), s.opt.Now().UnixNano()
		if last-now < int64(sentBack) {
			now = max(now, last+1)
		}
		if lastSent.CompareAndSwap(last, now) {
			return time.Unix(0, now).UTC()
		}
	}
}

// surelyRight makes a line that no receiver of points finds a fault with: an entry
// of the change feed that nothing has changed.
func (s *Sender) surelyRight() []byte {
	at := s.sentAt()
	text, err := schema.AppendRange(nil, s.opt.Site, reading.Channel{Quantity: schema.FactChannel}, at, at, at)
	if err != nil { // as every other row of this site
		return nil
	}
	return bytes.TrimRight(text, "\n")
}

// feed makes the rows of the change feed, once what they tell of is written.
func (s *Sender) feed(j *job) []row {
	var rows []row
	enc := schema.NewEncoder(s.opt.Site)
	add := func(ch reading.Channel, from, to time.Time) {
		text, err := enc.Range(nil, ch, from, to, s.sentAt())
		if err != nil { // of readings that could not be written either
			return
		}
		rows = append(rows, row{text: bytes.TrimRight(text, "\n"), kind: ofFeed})
	}
	for i := range j.parcel.Ranges {
		r := &j.parcel.Ranges[i]
		ch := r.Channel
		if r.Fact != "" {
			ch = reading.Channel{Quantity: schema.FactChannel}
		}
		from, to := bounds(r)
		add(ch, from, to)
	}
	for _, x := range factRanges(j.parcel.Facts) {
		add(reading.Channel{Quantity: schema.FactChannel}, x[0], x[1])
	}
	return rows
}

// Facts that lie so near each other are one entry of the change feed, and a
// parcel has so many for its facts at most: who reads asks about each. Proposals.
const (
	factsNear       = time.Hour
	factEntriesMost = 32
)

// factRanges gives the stretches in which facts lie, in order: from the widest
// gaps between them.
func factRanges(facts []reading.StoredFact) [][2]time.Time {
	if len(facts) == 0 {
		return nil
	}
	at := make([]time.Time, len(facts))
	for i := range facts {
		at[i] = facts[i].At
	}
	slices.SortFunc(at, time.Time.Compare)
	var gaps []time.Duration
	for i := 1; i < len(at); i++ {
		if gap := at[i].Sub(at[i-1]); gap > factsNear {
			gaps = append(gaps, gap)
		}
	}
	least := factsNear
	if len(gaps) >= factEntriesMost {
		slices.Sort(gaps)
		least = gaps[len(gaps)-factEntriesMost]
	}
	out := [][2]time.Time{{at[0], at[0]}}
	for i := 1; i < len(at); i++ {
		if at[i].Sub(at[i-1]) > least {
			out = append(out, [2]time.Time{at[i], at[i]})
		}
		out[len(out)-1][1] = at[i]
	}
	return out
}
