package alarm

import (
	"cmp"
	"slices"
)

// Rank orders priorities: high is 0.
func (p Priority) Rank() int {
	switch p {
	case High:
		return 0
	case Medium:
		return 1
	}
	return 2
}

// place puts what asks for a person first.
func (s State) place() int {
	switch s {
	case Unacknowledged:
		return 0
	case LatchedUnacked, ReturnedUnacked:
		return 1
	case Acknowledged:
		return 2
	case LatchedAcked:
		return 3
	case Shelved:
		return 4
	case SuppressedByDesign, OutOfService:
		return 5
	}
	return 6
}

// SortRows orders an alarm list by what to do first: suppressed and shelved
// rows last, then by priority, unacknowledged before acknowledged, oldest
// first.
func SortRows(rows []Row) {
	slices.SortStableFunc(rows, func(a, b Row) int {
		return cmp.Or(
			cmp.Compare(hidden(a.State), hidden(b.State)),
			cmp.Compare(a.Priority.Rank(), b.Priority.Rank()),
			cmp.Compare(a.State.place(), b.State.place()),
			a.Since.Compare(b.Since),
			cmp.Compare(a.ID, b.ID),
		)
	})
}

// Asks says that the row asks somebody for something now: it is neither shelved,
// nor suppressed, nor out of service.
func (r Row) Asks() bool { return hidden(r.State) == 0 && r.State != Normal }

func hidden(s State) int {
	if s.place() >= Shelved.place() {
		return 1
	}
	return 0
}
