package reading

import (
	"cmp"
	"strings"
)

// Cumulative says that a quantity only ever counts up: of two values for one
// time the larger is right.
func (q Quantity) Cumulative() bool {
	switch q {
	case RunHours, RunSeconds, PulseCount, DoseCM3, DoseStrokes:
		return true
	}
	return false
}

// Exact says that a quantity is a whole number kept in Count.
func (q Quantity) Exact() bool {
	switch q {
	case PulseCount, PulseIncrement, DoseStrokes, LevelCountLeft:
		return true
	}
	return false
}

// Compare orders readings by time, device, quantity and key: the order in
// which they are folded. Readings that compare equal are one entry of the
// journal; Resolve says which of them it holds.
func Compare(a, b Reading) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	if c := strings.Compare(a.Device, b.Device); c != 0 {
		return c
	}
	if c := strings.Compare(string(a.Quantity), string(b.Quantity)); c != 0 {
		return c
	}
	return strings.Compare(a.Key, b.Key)
}

// SameEntry says that two readings compete for one entry of the journal: the
// same channel and time, or, for increments, the same channel and id.
func SameEntry(a, b Reading) bool {
	if a.Channel != b.Channel {
		return false
	}
	if a.Key != "" || b.Key != "" {
		return a.Key == b.Key
	}
	return a.At.Equal(b.At)
}

// Resolve decides between two readings of one entry. A cumulative counter
// keeps the larger value, anything else the later received. What is left is
// decided by fields that both orders of arrival share, so that the winner of
// any number of readings does not depend on their order. If the values differ,
// the winner carries Conflict and the loser belongs into the kept-aside ring;
// with equal values the second is a mere duplicate.
func Resolve(a, b Reading) (winner, loser Reading) {
	if rank(a, b) < 0 {
		a, b = b, a
	}
	a.Flags |= b.Flags & Conflict
	if !SameValue(a, b) {
		a.Flags |= Conflict
	}
	return a, b
}

// SameValue says that two readings of one channel carry the same value.
func SameValue(a, b Reading) bool {
	if a.Quantity.Exact() {
		return a.Count == b.Count
	}
	return a.Value == b.Value
}

// rank compares two readings of one entry; the larger wins.
func rank(a, b Reading) int {
	byValue := func() int {
		if c := cmp.Compare(a.Count, b.Count); a.Quantity.Exact() && c != 0 {
			return c
		}
		return cmp.Compare(a.Value, b.Value)
	}
	if a.Quantity.Cumulative() {
		if c := byValue(); c != 0 {
			return c
		}
		// The same value again: the first report stands, so that repeats do
		// not rewrite the entry, and a live one stands before a replayed one.
		if c := cmp.Compare(b.Flags&Retained, a.Flags&Retained); c != 0 {
			return c
		}
		if c := b.Received.Compare(a.Received); c != 0 {
			return c
		}
	} else {
		if c := a.Received.Compare(b.Received); c != 0 {
			return c
		}
		if c := byValue(); c != 0 {
			return c
		}
		if c := cmp.Compare(b.Flags&Retained, a.Flags&Retained); c != 0 {
			return c
		}
	}
	if c := b.At.Compare(a.At); c != 0 { // increments: one id, two times
		return c
	}
	if a.FromDevice != b.FromDevice {
		if a.FromDevice {
			return 1
		}
		return -1
	}
	return cmp.Compare(a.Flags&^Conflict, b.Flags&^Conflict)
}
