package outbox

import (
	"context"
	"time"

	"dwindle/collector/reading"
)

// Outbox is what waits to be written: the journal's, or a test's.
type Outbox interface {
	// Next gives what is to be written next, at most so many rows. An empty
	// parcel says that nothing waits. It may be asked while earlier parcels are
	// under way.
	Next(ctx context.Context, maxRows int) (Parcel, error)
	// Done takes note that a parcel is with the receiver, but for what was
	// refused. Parcels are done in the order in which they were given.
	Done(ctx context.Context, p Parcel, refused []Refused) error
	// Back has what is not done given again.
	Back()
	// Ready tells of news since Next had nothing.
	Ready() <-chan struct{}
	// Backlog is what waits.
	Backlog(ctx context.Context) (Backlog, error)
}

// Parcel is what is written next.
type Parcel struct {
	Readings []reading.Reading
	Late     int
	Ranges   []Range
	Facts    []reading.Fact
	Lines    []Line
}

// Empty says that nothing waits.
func (p *Parcel) Empty() bool {
	return len(p.Readings)+len(p.Ranges)+len(p.Facts)+len(p.Lines) == 0
}

// Range is a stretch of a channel that was written late.
type Range struct {
	reading.Channel
	Fact     reading.FactKind
	From, To time.Time
	Gone     bool
}

// Line is one of line protocol, ready.
type Line struct {
	Text []byte
}

// Refused is a line that the receiver did not take.
type Refused struct {
	ID      int64
	When    time.Time
	Line    []byte
	Reason  string
	Status  int
	Words   string
	Channel reading.Channel
	At      time.Time
	Fact    string
}

// Backlog is what waits.
type Backlog struct {
	Readings  int64
	Estimated bool
	Oldest    time.Time
	Late      int64
	Facts     int64
	Lines     int64
	GivenUp   map[string]int64
	Refused   map[string]int64
}
