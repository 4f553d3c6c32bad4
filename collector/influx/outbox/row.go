package outbox

import (
	"slices"
	"strings"
	"time"
)

// row is a line to be written, with what it was made of.
type row struct {
	text []byte // without the line end
	kind rowKind
	of   int32 // its index in the parcel
}

type rowKind uint8

const (
	ofReading rowKind = iota
	ofFact
	ofLine
	ofFeed // of the change feed, made here
	ofBeat // says how far all is written
)

// join makes one text of rows, and says how long it is.
func join(rows []row) string {
	n := 0
	for i := range rows {
		n += len(rows[i].text) + 1
	}
	var b strings.Builder
	b.Grow(n)
	for i := range rows {
		b.Write(rows[i].text)
		b.WriteByte('\n')
	}
	return b.String()
}

// split parts rows by a question; both keep the order.
func split(rows []row, is func(row) bool) (yes, no []row) {
	for _, r := range rows {
		if is(r) {
			yes = append(yes, r)
		} else {
			no = append(no, r)
		}
	}
	return yes, no
}

// oldest parts off the n oldest rows, and more of the same time.
func oldest(rows []row, n int) (old, rest []row) {
	at := make([]time.Time, 0, len(rows))
	for _, r := range rows {
		p, ok := partsOf(r.text)
		if !ok {
			return nil, rows
		}
		at = append(at, p.at)
	}
	sorted := slices.Clone(at)
	slices.SortFunc(sorted, time.Time.Compare)
	until := sorted[min(n, len(sorted))-1]
	for i, r := range rows {
		if at[i].After(until) {
			rest = append(rest, r)
		} else {
			old = append(old, r)
		}
	}
	return old, rest
}
