package outbox

import (
	"context"

	"dwindle/collector/journal"
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

// The nouns of an outbox are the journal's.
type (
	Parcel  = journal.Parcel
	Range   = journal.Range
	Line    = journal.Line
	Refused = journal.Refused
	Backlog = journal.Backlog
)

var _ Outbox = (*journal.Outbox)(nil)
