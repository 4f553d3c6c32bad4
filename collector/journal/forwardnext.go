package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// piece is a part of a channel that is to be read, ms: after one time and up to
// another.
type piece struct {
	c         *forwardChannel
	after, to int64
}

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

const (
	stretchReading   = "SELECT at, '', value, lag, flags FROM reading WHERE channel = ? AND at >= ? AND at <= ? ORDER BY at LIMIT ?"
	stretchIncrement = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ? AND at >= ? AND at <= ? ORDER BY at, id LIMIT ?"
)

// linesAtMost bounds the bytes of lines in a parcel, unless one alone is larger.
const linesAtMost = 1 << 20

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

// readStretch reads a stretch of a channel, in so many rows at most; next is
// where it goes on, after the stretch if that is all.
func (o *Outbox) readStretch(s *Snapshot, p *filling, c *forwardChannel, x stretch, most int64) (next int64, err error) {
	text := stretchReading
	if c.increments() {
		text = stretchIncrement
	}
	limit := most
	if limit < math.MaxInt64 {
		limit++
	}
	rows, err := s.query(text, c.id, x.first, x.last, limit)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	start := len(p.Readings)
	for rows.Next() {
		var ms int64
		var key string
		var found row
		if err := rows.Scan(&ms, &key, &found.value, &found.lag, &found.flags); err != nil {
			return 0, s.wrap(err)
		}
		if int64(len(p.Readings)-start) == most { // one too many
			rows.Close()
			for len(p.Readings) > start && p.Readings[len(p.Readings)-1].At.UnixMilli() == ms {
				p.Readings = p.Readings[:len(p.Readings)-1]
			}
			if len(p.Readings) == start { // all of one millisecond
				if _, err := o.readStretch(s, p, c, stretch{first: ms, last: ms}, math.MaxInt64); err != nil {
					return 0, err
				}
				ms++
			}
			return ms, nil
		}
		r := decode(c.Channel, ms, found)
		r.Key = key
		p.Readings = append(p.Readings, r)
	}
	if err := rows.Err(); err != nil {
		return 0, s.wrap(err)
	}
	if x.last == math.MaxInt64 {
		return x.last, nil
	}
	return x.last + 1, nil
}

// lateRanges reads what has changed, of so many rows at most.
func (o *Outbox) lateRanges(s *Snapshot, p *filling, most int) error {
	if !o.any(&o.f.late) {
		return nil
	}
	type entry struct {
		seq, channel int64
		stretch
	}
	var list []entry
	rows, err := s.query("SELECT seq, channel, first, last, gone FROM forward_late WHERE seq > ? ORDER BY seq LIMIT ?", p.queues.late, most)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var e entry
		var gone int64
		if err := rows.Scan(&e.seq, &e.channel, &e.first, &e.last, &gone); err != nil {
			return s.wrap(err)
		}
		e.gone = gone != 0
		list = append(list, e)
	}
	if err := rows.Err(); err != nil {
		return s.wrap(err)
	}
	rows.Close()
	p.More = p.More || len(list) == most
	p.queued = p.queued || len(list) > 0
	for _, e := range list {
		left := most - len(p.Readings)
		if left <= 0 {
			p.More = true
			return nil
		}
		c := o.channel(e.channel)
		if c == nil { // no such channel in this file
			p.queues.late = e.seq
			continue
		}
		if e.seq == p.queues.part {
			e.first = max(e.first, p.queues.from)
		}
		next, err := o.readStretch(s, p, c, e.stretch, int64(left))
		if err != nil {
			return err
		}
		r := Range{Channel: c.Channel, From: time.UnixMilli(e.first).UTC(), To: time.UnixMilli(min(e.last, next-1)).UTC(), Gone: e.gone}
		p.Ranges = append(p.Ranges, r)
		if next <= e.last {
			p.queues.part, p.queues.from = e.seq, next
			p.More = true
			return nil
		}
		p.queues.late = e.seq
	}
	return nil
}

// any says whether there may be rows in a queue.
func (o *Outbox) any(n *int64) bool {
	o.f.mu.Lock()
	defer o.f.mu.Unlock()
	return *n > 0
}

func (o *Outbox) channel(id int64) *forwardChannel {
	o.f.mu.Lock()
	defer o.f.mu.Unlock()
	return o.f.channels[id]
}

// factsAndLines reads the queues of facts and lines, of each so many at most.
func (o *Outbox) factsAndLines(s *Snapshot, p *filling, most int) error {
	if o.any(&o.f.facts) {
		if err := o.queuedFacts(s, p, most); err != nil {
			return err
		}
	}
	rows, err := s.query("SELECT seq, line FROM forward_line WHERE seq > ? ORDER BY seq LIMIT ?", p.queues.line, most)
	if err != nil {
		return err
	}
	defer rows.Close()
	for size := 0; size < linesAtMost && rows.Next(); {
		var seq int64
		var line []byte
		if err := rows.Scan(&seq, &line); err != nil {
			return s.wrap(err)
		}
		size += len(line)
		p.Lines = append(p.Lines, Line{line})
		p.queues.line, p.queued = seq, true
		p.More = p.More || size >= linesAtMost || len(p.Lines) >= most
	}
	return s.wrap(rows.Err())
}

func (o *Outbox) queuedFacts(s *Snapshot, p *filling, most int) error {
	rows, err := s.query("SELECT q.seq, q.was, f.device, f.kind, f.until, f.person, f.body FROM forward_fact q JOIN fact f ON f.id = q.id WHERE q.seq > ? ORDER BY q.seq LIMIT ?", p.queues.fact, most)
	if err != nil {
		return err
	}
	defer rows.Close()
	begun, had := len(p.Ranges), len(p.Facts)
	for rows.Next() {
		var seq int64
		var was *int64
		var device, kind, body string
		var until, person int64
		if err := rows.Scan(&seq, &was, &device, &kind, &until, &person, &body); err != nil {
			return s.wrap(err)
		}
		if err := p.addFact(body, until, person); err != nil {
			return err
		}
		if was != nil {
			at := time.UnixMilli(*was).UTC()
			p.Ranges = append(p.Ranges, Range{Channel: reading.Channel{Device: device}, Fact: reading.FactKind(kind), ID: p.Facts[len(p.Facts)-1].ID, From: at, To: at, Gone: true})
		}
		p.queues.fact, p.queued = seq, true
		p.More = p.More || len(p.Facts)-had >= most
	}
	if err := rows.Err(); err != nil {
		return s.wrap(err)
	}
	rows.Close()
	// What else stands where facts were moved from must not go with them.
	for _, r := range p.Ranges[begun:] {
		rows, err := s.query("SELECT until, person, body FROM fact WHERE device = ? AND kind = ? AND at = ?", r.Device, string(r.Fact), r.From.UnixMilli())
		if err != nil {
			return err
		}
		for rows.Next() {
			var until, person int64
			var body string
			if err := rows.Scan(&until, &person, &body); err != nil {
				rows.Close()
				return s.wrap(err)
			}
			if err := p.addFact(body, until, person); err != nil {
				rows.Close()
				return err
			}
		}
		rows.Close()
		if err := rows.Err(); err != nil {
			return s.wrap(err)
		}
	}
	return nil
}

func (p *filling) addFact(body string, until, person int64) error {
	f := reading.StoredFact{Until: time.UnixMilli(until).UTC(), Person: person != 0}
	if err := json.Unmarshal([]byte(body), &f.Fact); err != nil {
		return fmt.Errorf("read a fact: %w", err)
	}
	p.Facts = append(p.Facts, f)
	return nil
}

// refusedAgain reads what is to be sent once more. What was made of readings and
// facts is made anew of what is stored now.
func (o *Outbox) refusedAgain(s *Snapshot, p *filling, most int) error {
	if o.nothing == p.asked {
		return nil
	}
	rows, err := s.query("SELECT r.id, r.line, r.channel, r.time, f.until, f.person, f.body FROM refused r LEFT JOIN fact f ON f.id = r.fact WHERE r.id > ? AND r.resend = 1 ORDER BY r.id LIMIT ?", p.queues.resent, most)
	if err != nil {
		return err
	}
	defer rows.Close()
	type entry struct {
		channel, at *int64
	}
	var list []entry
	from := p.queues.resent
	for size := 0; size < linesAtMost && rows.Next(); {
		var id int64
		var line []byte
		var e entry
		var until, person *int64
		var body any
		if err := rows.Scan(&id, &line, &e.channel, &e.at, &until, &person, &body); err != nil {
			return s.wrap(err)
		}
		size += len(line)
		p.queues.resent = id
		p.resent = append(p.resent, id)
		p.More = p.More || size >= linesAtMost || len(p.resent) >= most
		switch text, ok := body.(string); {
		case ok && until != nil && person != nil:
			if err := p.addFact(text, *until, *person); err != nil {
				return err
			}
		case e.channel != nil && e.at != nil:
			list = append(list, e)
		default:
			p.Lines = append(p.Lines, Line{line})
		}
	}
	if err := rows.Err(); err != nil {
		return s.wrap(err)
	}
	rows.Close()
	if from == 0 && len(p.resent) == 0 {
		o.nothing = p.asked
	}
	for _, e := range list {
		c := o.channel(*e.channel)
		if c == nil {
			continue
		}
		if _, err := o.readStretch(s, p, c, stretch{first: *e.at, last: *e.at}, math.MaxInt64); err != nil {
			return err
		}
		at := time.UnixMilli(*e.at).UTC()
		p.Ranges = append(p.Ranges, Range{Channel: c.Channel, From: at, To: at})
	}
	return nil
}
