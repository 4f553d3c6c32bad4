package journal

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/reading"
)

// forwarding is what the writer knows of the receiver; nil where none is named.
type forwarding struct {
	target string
	box    *Outbox // under j.mu; nil: not asked for yet
	ready  chan struct{}
	resend atomic.Int64 // how often it was asked to send again what was refused; a start counts, too

	// Ageing waits so long for the receiver, ms; under j.mu.
	patience int64

	mu       sync.Mutex // below j.mu and Outbox.mu
	channels map[int64]*forwardChannel
	waiting  []*forwardChannel // with readings that were not read; some that were
	rows     int64             // readings that are not done; an estimate
	roughly  bool              // it was one from the beginning
	late     int64             // rows of forward_late, or more
	lateMost int64             // when they are joined
	facts    int64             // rows of forward_fact, or more
	confirms confirms
	lines    *lineQueue // nil: not counted yet; under j.mu
	linesMax int64      // bytes
	taken    time.Time
}

// forwardChannel is where a channel stands; places are ms. Readings up to done
// are with the receiver, those up to read were given out. None that is not late
// lies between read and next.
type forwardChannel struct {
	reading.Channel
	id int64
	// reach is up to where changes are late: never less than read. It is changed
	// under j.mu, and read under it or forwarding.mu.
	reach  int64
	newest int64 // committed, or later
	done   int64
	read   int64
	next   int64
	saved  int64 // done, in the file
	waits  bool  // is among the waiting
}

// nowhere is before all readings.
const nowhere = math.MinInt64

// patienceDays is how long ageing waits for the receiver where nobody says.
const patienceDays = 30

// lateMost bounds how many stretches are kept apart.
const lateMost = 100_000

func (c *forwardChannel) increments() bool { return c.Quantity == reading.PulseIncrement }

// table names where the readings of a channel lie.
func (c *forwardChannel) table() string {
	if c.increments() {
		return "increment"
	}
	return "reading"
}

// loadForward takes up what the file says of the receiver. Part of Open, or under
// j.mu.
func (j *Journal) loadForward(ctx context.Context) error {
	target, err := metaOf(ctx, j.w, metaForward)
	if err != nil || target == "" {
		return err
	}
	f := &forwarding{
		target: target, ready: make(chan struct{}, 1), patience: patienceDays * dayMS,
		channels: make(map[int64]*forwardChannel, len(j.known.channels)), lateMost: lateMost, linesMax: linesBytesMost,
		confirms: newConfirms(),
	}
	if err := f.load(ctx, j); err != nil {
		return fmt.Errorf("read how far %s has received: %w", target, err)
	}
	for _, text := range []string{stmtLate, stmtForwardFact} {
		if j.stmts[text] != nil {
			continue
		}
		s, err := j.w.PrepareContext(ctx, text)
		if err != nil {
			return fmt.Errorf("prepare %q on %s: %w", text, j.path, err)
		}
		j.stmts[text] = s
	}
	f.resend.Store(1)
	j.fwd = f
	f.wake()
	return nil
}

const (
	stmtLate        = "INSERT INTO forward_late (channel, first, last, gone) VALUES (?, ?, ?, ?)"
	stmtForwardFact = "INSERT INTO forward_fact (id, was) VALUES (?, ?)"
)

const dayMS = 24 * 60 * 60 * 1000

// forwardEnds gives the newest reading of each channel and the first one after where it
// stands: one step each in the key, never a walk over readings.
const forwardEnds = `SELECT c.id, c.device, c.quantity, f.at,
	CASE c.quantity WHEN 'pulse.pulses' THEN (SELECT max(at) FROM increment WHERE channel = c.id) ELSE (SELECT max(at) FROM reading WHERE channel = c.id) END,
	CASE c.quantity WHEN 'pulse.pulses' THEN (SELECT min(at) FROM increment WHERE channel = c.id AND at > coalesce(f.at, -9223372036854775808))
		ELSE (SELECT min(at) FROM reading WHERE channel = c.id AND at > coalesce(f.at, -9223372036854775808)) END
	FROM channel c LEFT JOIN forward f ON f.channel = c.id ORDER BY c.id`

// placesOf hands all channels to fn, each as it stands in the file; waits says that
// some of its readings have not been taken.
func placesOf(ctx context.Context, db asker, fn func(c *forwardChannel, waits bool)) error {
	rows, err := db.QueryContext(ctx, forwardEnds)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		c := &forwardChannel{done: nowhere, next: nowhere}
		var done, newest, next *int64
		if err := rows.Scan(&c.id, &c.Device, &c.Quantity, &done, &newest, &next); err != nil {
			return err
		}
		if done != nil {
			c.done = *done
		}
		c.newest = c.done
		if newest != nil {
			c.newest = max(c.newest, *newest)
		}
		if next != nil {
			c.next = *next
		}
		fn(c, next != nil)
	}
	return rows.Err()
}

func (f *forwarding) load(ctx context.Context, j *Journal) error {
	err := placesOf(ctx, j.w, func(c *forwardChannel, waits bool) {
		c.read, c.saved = c.done, c.done
		c.reach = c.newest // the receiver may have been given all of it
		if waits {
			f.wait(c)
		}
		f.channels[c.id] = c
	})
	if err != nil {
		return err
	}
	taken, err := metaOf(ctx, j.w, metaTaken)
	if err != nil {
		return err
	}
	f.taken = takenAt(taken)
	if err := j.w.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM forward_late), (SELECT count(*) FROM forward_fact)").Scan(&f.late, &f.facts); err != nil {
		return err
	}
	if err := j.loadConfirmed(ctx, f); err != nil {
		return err
	}
	f.rows, f.roughly, err = countWaiting(ctx, f.waiting, waitingIn(ctx, j.w))
	return err
}

// waitingIn counts what waits of a channel in the file, up to a bound.
func waitingIn(ctx context.Context, db asker) func(c *forwardChannel, most int64) (int64, error) {
	return func(c *forwardChannel, most int64) (n int64, err error) {
		err = db.QueryRowContext(ctx, "SELECT count(*) FROM (SELECT 1 FROM "+c.table()+" WHERE channel = ? AND at > ? LIMIT ?)", c.id, c.done, most).Scan(&n)
		return n, err
	}
}

// Bounds of the counting of what waits.
const (
	countMost    = 200_000 // rows
	countChannel = 20_000  // rows of one channel
)

// countWaiting counts what waits; where that is much, by a part of the channels.
func countWaiting(ctx context.Context, list []*forwardChannel, count func(c *forwardChannel, most int64) (int64, error)) (n int64, roughly bool, err error) {
	var counted, span, all float64
	for _, c := range list {
		all += float64(c.newest) - float64(c.next) + 1
	}
	// Evenly over the list, so that whoever was seen first does not stand for all.
	step := max(1, len(list)/256)
	for i := 0; i < step && !roughly; i++ {
		for k := i; k < len(list); k += step {
			if n >= countMost {
				roughly = true
				break
			}
			c := list[k]
			rows, err := count(c, countChannel)
			if err != nil {
				return 0, false, err
			}
			n += rows
			counted += float64(rows)
			if wide := float64(c.newest) - float64(c.next) + 1; rows < countChannel {
				span += wide
			} else { // reading on would take too long: as dense as the others
				counted -= float64(rows)
				roughly = true
			}
		}
	}
	if roughly && span > 0 {
		n = max(n, int64(counted*all/span))
	}
	return n, roughly, ctx.Err()
}

// wait puts a channel among the waiting. Under mu.
func (f *forwarding) wait(c *forwardChannel) {
	if !c.waits {
		c.waits = true
		f.waiting = append(f.waiting, c)
	}
}

// wake says that there may be something new.
func (f *forwarding) wake() {
	select {
	case f.ready <- struct{}{}:
	default:
	}
}

// stretch is a part of a channel, ms, both ends included.
type stretch struct {
	first, last int64
	gone        bool
}

// news is what a transaction under way has found for the receiver; it becomes
// true when that has ended well.
type news struct {
	late      map[int64][]stretch // by channel
	fresh     map[int64]ahead     // by channel
	facts     int64
	confirmed []string // facts of which only until when they hold is another
	left      int64    // rows of forward_late after they were joined; 0: they were not
}

// ahead is what came of a channel beyond its reach.
type ahead struct {
	reading.Channel
	first, last int64
	rows        int64
}

// lateJoin is how near, in ms, two late changes of one transaction lie together
// to be one stretch: what lies between is sent again.
const lateJoin = 60 * 60 * 1000

// change takes note that in a stretch of a channel so many readings are new or
// different, or gone from there.
func (n *news) change(f *forwarding, id int64, ch reading.Channel, x stretch, rows int64) {
	reach := int64(nowhere)
	if c := f.channels[id]; c != nil {
		reach = c.reach
	}
	if x.first <= reach {
		n.addLate(id, stretch{x.first, min(x.last, reach), x.gone})
	}
	if x.last > reach && !x.gone { // what is gone from there was never read
		n.addFresh(id, ahead{ch, max(x.first, reach+1), x.last, rows})
	}
}

func (n *news) addFresh(id int64, x ahead) {
	if n.fresh == nil {
		n.fresh = map[int64]ahead{}
	}
	if old, ok := n.fresh[id]; ok {
		x.first, x.last, x.rows = min(old.first, x.first), max(old.last, x.last), old.rows+x.rows
	}
	n.fresh[id] = x
}

func (n *news) addLate(id int64, x stretch) {
	if n.late == nil {
		n.late = map[int64][]stretch{}
	}
	list := n.late[id]
	for i := len(list) - 1; i >= max(0, len(list)-8); i-- {
		if y := &list[i]; x.first <= y.last+lateJoin && x.last >= y.first-lateJoin {
			y.first, y.last, y.gone = min(x.first, y.first), max(x.last, y.last), x.gone || y.gone
			return
		}
	}
	n.late[id] = append(list, x)
}

// write puts on record what is late; part of the transaction.
func (n *news) write(ctx context.Context, j *Journal) error {
	for _, id := range slices.Sorted(maps.Keys(n.late)) {
		for _, x := range n.late[id] {
			if _, err := j.stmts[stmtLate].ExecContext(ctx, id, x.first, x.last, x.gone); err != nil {
				return fmt.Errorf("note a change for the receiver: %w", err)
			}
		}
	}
	if len(n.late) == 0 {
		return nil
	}
	return n.join(ctx, j)
}

// queueFact puts a fact into its queue; was is the time, ms, from which it was
// moved, or nil. Part of a transaction.
func (j *Journal) queueFact(ctx context.Context, id string, was any) error {
	if _, err := j.stmts[stmtForwardFact].ExecContext(ctx, id, was); err != nil {
		return fmt.Errorf("note fact %s for the receiver: %w", id, err)
	}
	return nil
}

// learn takes over what a transaction has found, now that it is true. Under j.mu.
func (f *forwarding) learn(n *news) {
	if len(n.late)+len(n.fresh)+len(n.confirmed) == 0 && n.facts == 0 {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, list := range n.late {
		f.late += int64(len(list))
	}
	if n.left > 0 {
		f.late, f.lateMost = n.left, max(lateMost, 2*n.left)
	}
	f.facts += n.facts
	for _, id := range n.confirmed {
		f.confirms.add(id)
	}
	for id, x := range n.fresh {
		c := f.channels[id]
		if c == nil {
			c = &forwardChannel{Channel: x.Channel, id: id, reach: nowhere, newest: nowhere, done: nowhere, read: nowhere, saved: nowhere}
			f.channels[id] = c
		}
		if c.newest <= c.read { // nothing of it waits
			c.next = x.first
		} else {
			c.next = min(c.next, x.first)
		}
		c.newest = max(c.newest, x.last)
		f.rows += x.rows
		f.wait(c)
	}
	f.wake()
}

// join makes one stretch for each channel of all that are late: too many are kept
// apart. Part of the transaction.
func (n *news) join(ctx context.Context, j *Journal) error {
	f := j.fwd
	f.mu.Lock()
	much := f.late > f.lateMost
	f.mu.Unlock()
	if !much {
		return nil
	}
	var last int64
	if err := j.w.QueryRowContext(ctx, "SELECT coalesce(max(seq), 0) FROM forward_late").Scan(&last); err != nil {
		return err
	}
	done, err := j.w.ExecContext(ctx, "INSERT INTO forward_late (channel, first, last, gone) SELECT channel, min(first), max(last), max(gone) FROM forward_late WHERE seq <= ? GROUP BY channel ORDER BY channel", last)
	if err != nil {
		return err
	}
	if n.left, err = done.RowsAffected(); err != nil {
		return err
	}
	_, err = j.w.ExecContext(ctx, "DELETE FROM forward_late WHERE seq <= ?", last)
	return err
}
