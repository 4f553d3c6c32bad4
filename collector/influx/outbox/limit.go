package outbox

import "sync/atomic"

// limits bound a batch. They shrink when the server or the line shows that less
// is wanted, and grow again slowly.
type limits struct {
	maxRows, maxBytes int64 // as configured
	rows, bytes       atomic.Int64
	good              int // batches in a row, since the last change
}

// How far batches shrink, and how they grow again: proposals.
const (
	fewestRows  = 100
	fewestBytes = 16 << 10
	// goodInRow batches double the limits again.
	goodInRow = 10
)

func newLimits(rows, bytes int) *limits {
	l := &limits{maxRows: int64(rows), maxBytes: int64(bytes)}
	l.rows.Store(l.maxRows)
	l.bytes.Store(l.maxBytes)
	return l
}

// tooLarge learns that the server does not take so many bytes in one body.
// Where the server says so there is no growing again beyond it: each try would
// cost a whole body.
func (l *limits) tooLarge(size int) {
	l.good = 0
	l.maxBytes = max(min(l.maxBytes, int64(size)/2), min(fewestBytes, l.maxBytes))
	l.bytes.Store(min(l.bytes.Load(), l.maxBytes))
}

// tooSlow learns that so many rows did not go through in time.
func (l *limits) tooSlow(rows int) {
	l.good = 0
	l.rows.Store(max(min(l.rows.Load(), int64(rows)/2), min(fewestRows, l.maxRows)))
}

// went learns that a batch went through.
func (l *limits) went() {
	if l.good++; l.good < goodInRow {
		return
	}
	l.good = 0
	l.rows.Store(min(l.maxRows, l.rows.Load()*2))
	l.bytes.Store(min(l.maxBytes, l.bytes.Load()*2))
}

// cut says how many rows the next request takes.
func (l *limits) cut(rows []row) int {
	most, bytes := l.rows.Load(), l.bytes.Load()
	for i := range rows {
		bytes -= int64(len(rows[i].text)) + 1
		if int64(i) >= most || bytes < 0 && i > 0 {
			return i
		}
	}
	return len(rows)
}
