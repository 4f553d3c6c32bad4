package journal

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
)

const (
	stretchReading   = "SELECT at, '', value, lag, flags FROM reading WHERE channel = ? AND at >= ? AND at <= ? ORDER BY at LIMIT ?"
	stretchIncrement = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ? AND at >= ? AND at <= ? ORDER BY at, id LIMIT ?"
)

// linesAtMost bounds the bytes of lines in a parcel, unless one alone is larger.
const linesAtMost = 1 << 20

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
		if err := p.addFacts(s, factsWhere+"device = ? AND kind = ? AND at = ?", r.Device, string(r.Fact), r.From.UnixMilli()); err != nil {
			return err
		}
	}
	return nil
}

// factsWhere begins a question for addFacts.
const factsWhere = "SELECT until, person, body FROM fact WHERE "

// addFacts reads facts into the parcel.
func (p *filling) addFacts(s *Snapshot, text string, args ...any) error {
	rows, err := s.query(text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var until, person int64
		var body string
		if err := rows.Scan(&until, &person, &body); err != nil {
			return s.wrap(err)
		}
		if err := p.addFact(body, until, person); err != nil {
			return err
		}
	}
	return s.wrap(rows.Err())
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
