package journal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// piece is a part of a channel that is to be read, ms: after one time and up to
// another.
type piece struct {
	c         *forwardChannel
	after, to int64
}

// sliceSize is how wide slices of time are, ms. Reading goes slice by slice over
// all channels, so that all are equally far; to find a place in a channel costs as
// much as to read some tens of rows, so a slice has to be that wide.
type sliceSize struct {
	ms     int64
	pieces int64 // of the slice that is being read
	rows   int64
	cut    bool // there was more behind it
}

var firstSlice = sliceSize{ms: 60 * 60 * 1000}

// Bounds of a slice, and how many rows it should have of each channel.
const (
	sliceLeast  = 60 * 1000
	sliceMost   = 400 * dayMS
	sliceSparse = 32
	sliceDense  = 160
)

// fit chooses the width of the next slice after what the last one gave.
func (x *sliceSize) fit() {
	if x.pieces > 0 && x.cut {
		switch per := x.rows / x.pieces; {
		case per < sliceSparse:
			x.ms = min(2*x.ms, sliceMost)
		case per > sliceDense:
			x.ms = max(x.ms/2, sliceLeast)
		}
	}
	x.pieces, x.rows, x.cut = 0, 0, false
}

// piecesAtOnce is how many channels are read with one question.
const piecesAtOnce = 64

// The questions for pieces: SQLite takes the tables of a cross join in the order
// in which they are written (sqlite.org, query optimizer overview), so rows come
// piece by piece and within it as the key has them; what comes otherwise is
// refused.
var (
	pieces         = "WITH piece (channel, low, high) AS (VALUES " + strings.Repeat("(?, ?, ?), ", piecesAtOnce-1) + "(?, ?, ?)) "
	pieceReading   = pieces + "SELECT r.channel, r.at, '', r.value, r.lag, r.flags FROM piece CROSS JOIN reading r WHERE r.channel = piece.channel AND r.at > piece.low AND r.at <= piece.high LIMIT ?"
	pieceIncrement = pieces + "SELECT r.channel, r.at, r.id, r.value, r.lag, r.flags FROM piece CROSS JOIN increment r INDEXED BY increment_at WHERE r.channel = piece.channel AND r.at > piece.low AND r.at <= piece.high LIMIT ?"
)

// nextSlice finds what is to be read next: of all channels that wait, the oldest
// slice of time. From here on changes in it are late.
func (o *Outbox) nextSlice() error {
	f := o.f
	o.slice.fit()
	o.j.mu.Lock() // no commit is under way
	if err := o.current(); err != nil {
		o.j.mu.Unlock()
		return err
	}
	f.mu.Lock()
	first := int64(math.MaxInt64)
	waiting := f.waiting[:0]
	for _, c := range f.waiting {
		if c.newest <= c.read {
			c.waits = false
			continue
		}
		waiting = append(waiting, c)
		first = min(first, c.next)
	}
	clear(f.waiting[len(waiting):])
	f.waiting = waiting
	end := first + o.slice.ms
	if end < first {
		end = math.MaxInt64
	}
	o.work = o.work[:0]
	for _, c := range waiting {
		o.slice.cut = o.slice.cut || c.newest > end
		if c.next <= end {
			to := min(c.newest, end)
			c.reach = max(c.reach, to)
			o.work = append(o.work, piece{c, c.read, to})
		}
	}
	f.mu.Unlock()
	o.j.mu.Unlock()
	slices.SortFunc(o.work, byPlace)
	o.slice.pieces = int64(len(o.work))
	return nil
}

// readPieces reads some pieces, or a part of the last of them.
func (o *Outbox) readPieces(s *Snapshot, p *filling) error {
	n := 1
	for n < min(len(o.work), piecesAtOnce) && o.work[n].c.increments() == o.work[0].c.increments() {
		n++
	}
	some := o.work[:n]
	increments := some[0].c.increments()
	text := pieceReading
	if increments {
		text = pieceIncrement
	}
	args := make([]any, 0, 3*piecesAtOnce+1)
	for i := range piecesAtOnce {
		x := piece{c: &forwardChannel{}} // no channel has this number
		if i < n {
			x = some[i]
		}
		args = append(args, x.c.id, x.after, x.to)
	}
	room := p.room()
	rows, err := s.query(text, append(args, room+1)...)
	if err != nil {
		return err
	}
	defer rows.Close()
	begun, full, at := len(p.Readings), false, 0
	start := begun // of the channel's readings
	p.Readings = slices.Grow(p.Readings, min(room, 64*n))
	for rows.Next() {
		var id, ms int64
		var key string
		var x row
		if err := rows.Scan(&id, &ms, &key, &x.value, &x.lag, &x.flags); err != nil {
			return s.wrap(err)
		}
		full = p.room() == 0
		for at < n && some[at].c.id != id {
			at++
			start = len(p.Readings)
		}
		if at == n || len(p.Readings) > start && p.Readings[len(p.Readings)-1].At.UnixMilli() > ms {
			return fmt.Errorf("read %s: readings came in another order than was asked for", s.j.path)
		}
		if full {
			break
		}
		r := decode(some[at].c.Channel, ms, x)
		r.Key = key
		p.Readings = append(p.Readings, r)
	}
	if err := rows.Err(); err != nil {
		return s.wrap(err)
	}
	rows.Close()
	if err := s.ctx.Err(); err != nil {
		return err
	}
	cut := int64(0) // up to where the last channel was read
	if full {
		switch last := len(p.Readings) - 1; {
		case last < start: // the next channel's first row was one too many
			full = false
			n = at
		case !increments:
			cut = p.Readings[last].At.UnixMilli()
		default:
			// Those of one millisecond stay together: the place is one of time.
			if cut, err = o.wholeMillisecond(s, p, some[at].c, start); err != nil {
				return err
			}
		}
	}
	if full {
		n = at + 1
		p.most = 0 // nothing more goes in
	}
	o.slice.rows += int64(len(p.Readings) - begun)
	p.rows += int64(len(p.Readings) - begun)
	f := o.f
	f.mu.Lock()
	for i := range some[:n] {
		x := &some[i]
		to := x.to
		if full && i == n-1 {
			to = cut
		}
		p.moved = append(p.moved, move{c: x.c, read: x.c.read, next: x.c.next, to: to})
		p.oldest = min(p.oldest, x.c.next)
		x.c.read, x.c.next = to, max(x.c.next, to+1)
		x.after = to
	}
	f.mu.Unlock()
	if full && cut < some[n-1].to {
		n--
	}
	o.work = o.work[n:]
	return nil
}

// wholeMillisecond leaves of a channel's readings, from start on, those of whole
// milliseconds, and reads at least one of these to its end. It gives the last.
func (o *Outbox) wholeMillisecond(s *Snapshot, p *filling, c *forwardChannel, start int) (int64, error) {
	list := p.Readings[start:]
	last := list[len(list)-1].At
	n := len(list)
	for n > 0 && list[n-1].At.Equal(last) {
		n--
	}
	p.Readings = p.Readings[:start+n]
	if len(p.Readings) > 0 {
		if n > 0 {
			return list[n-1].At.UnixMilli(), nil
		}
		return max(c.read, last.UnixMilli()-1), nil
	}
	ms := last.UnixMilli()
	_, err := o.readStretch(s, p, c, stretch{first: ms, last: ms}, math.MaxInt64)
	return ms, err
}

// byPlace puts parts of channels in the order in which they lie in the file.
func byPlace(a, b piece) int {
	if a.c.increments() != b.c.increments() {
		if a.c.increments() {
			return 1
		}
		return -1
	}
	return cmp.Compare(a.c.id, b.c.id)
}
