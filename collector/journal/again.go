package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dwindle/collector/reading"
)

// again is what a batch of messages that were received before is committed
// with. They are not counted as received once more.
type again struct {
	kept  []int64 // places in the kept-aside ring; or
	block int64   // of the raw ring, with
	raws  []Raw   // its messages, one for each entry
	trial bool    // to be undone
	over  *Copied // what a working copy takes over, instead of messages

	changed  bool // something of the block
	channels map[int64]reading.Channel
}

// errTrial undoes a transaction that was only to tell what it would do.
var errTrial = errors.New("only a trial")

// KeptMessage is a message of the kept-aside ring that can be run again.
type KeptMessage struct {
	ID int64
	Kept
}

// KeptFilter chooses messages of the kept-aside ring. Zero fields choose all.
type KeptFilter struct {
	Reason   string
	From, To time.Time // receive times, both included
}

// Bounds of what is read of the ring at once.
const (
	keptAtOnce = 500
	keptAtMost = 4 << 20 // bytes of payloads
)

// KeptMessages gives messages of the ring behind a place, in the order in
// which they came: some at a time, none at the end. Readings that lost a
// conflict are no messages and are left out.
func (j *Journal) KeptMessages(ctx context.Context, after int64, f KeptFilter) ([]KeptMessage, error) {
	rows, err := j.reader.QueryContext(ctx, `SELECT id, received, device, reason, topic, payload, detail, retained FROM kept
		WHERE id > ?1 AND topic <> '' AND (?2 = '' OR reason = ?2) AND received BETWEEN ?3 AND ?4 ORDER BY id LIMIT ?5`,
		after, f.Reason, millis(f.From), lastMillis(f.To), keptAtOnce)
	if err != nil {
		return nil, fmt.Errorf("list the kept messages of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []KeptMessage
	for size := 0; size < keptAtMost && rows.Next(); {
		var k KeptMessage
		var received int64
		if err := rows.Scan(&k.ID, &received, &k.Device, &k.Reason, &k.Topic, &k.Payload, &k.Detail, &k.Retained); err != nil {
			return nil, fmt.Errorf("list the kept messages of %s: %w", j.path, j.fault(err))
		}
		k.Received = time.UnixMilli(received).UTC()
		size += len(k.Payload)
		out = append(out, k)
	}
	return out, rows.Err()
}

// lastMillis is millis of the end of a stretch: the zero time is after all.
func lastMillis(t time.Time) int64 {
	if t.IsZero() {
		return 1<<63 - 1
	}
	return t.UnixMilli()
}

// NewestKept gives the place of the newest message of the ring, 0: none. What
// a run of the ring puts aside anew lies behind it.
func (j *Journal) NewestKept(ctx context.Context) (id int64, err error) {
	err = j.reader.QueryRowContext(ctx, "SELECT coalesce(max(id), 0) FROM kept").Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("look into the kept messages of %s: %w", j.path, j.fault(err))
	}
	return id, nil
}

// RerunKept stores what kept messages, by their places, are now understood as.
// Those leave the ring in the same transaction; the others stay in their
// places, with the reason that holds now. A trial only tells what would be.
func (j *Journal) RerunKept(ctx context.Context, ids []int64, b Batch, trial bool) (Result, error) {
	return j.commit(ctx, b, &again{kept: ids, trial: trial})
}

// RerunRaw stores what the messages of a block of the raw ring are now
// understood as, one entry for each in their order; an empty one leaves its
// message out. A reading that such a message gave before, and gives no more
// under the same channel, time and value, is taken back: it is known by its
// place, which the block remembers, and by the receive time, which it still
// carries, so that what another message has put there stays. It goes to the
// kept-aside ring under ReasonReplaced, and what takes its place is flagged
// Corrected. Facts are never taken back; a new one names the one it corrects.
// A message that is not understood any more changes nothing.
func (j *Journal) RerunRaw(ctx context.Context, block int64, messages []Raw, b Batch, trial bool) (Result, error) {
	return j.commit(ctx, b, &again{block: block, raws: messages, trial: trial})
}

// rerun deals with one message that was received before.
func (c *commit) rerun(i int, e *Entry) (Outcome, error) {
	if c.again.kept == nil && c.again.block == 0 {
		if e.Kept != nil {
			err := c.keep(e.Kept)
			c.counts[CountKept+e.Kept.Reason]-- // it was counted when it came
			return KeptAside, err
		}
		return c.take(e, nil)
	}
	if c.again.block != 0 {
		return c.rerunRaw(&c.again.raws[i], e)
	}
	return c.rerunKept(c.again.kept[i], e)
}

func (c *commit) rerunKept(id int64, e *Entry) (Outcome, error) {
	if err := c.openRing(); err != nil {
		return 0, err
	}
	var device, reason string
	var size int64
	err := c.j.w.QueryRowContext(c.ctx, "SELECT device, reason, "+keptSizeSQL+" FROM kept WHERE id = ?", keptRow, id).Scan(&device, &reason, &size)
	if errors.Is(err, sql.ErrNoRows) { // made room meanwhile, or run by another
		if e.Kept != nil {
			return KeptAside, nil
		}
		return c.take(e, e.Raw)
	}
	if err != nil {
		return 0, fmt.Errorf("look up a kept message: %w", err)
	}
	if k := e.Kept; k != nil {
		if k.Reason == reason && k.Device == device {
			return KeptAside, nil
		}
		var now int64
		if err := c.j.w.QueryRowContext(c.ctx, "UPDATE kept SET device = ?, reason = ?, detail = ? WHERE id = ? RETURNING "+keptSizeSQL,
			k.Device, k.Reason, k.Detail, id, keptRow).Scan(&now); err != nil {
			return 0, fmt.Errorf("say anew why a message is kept aside: %w", err)
		}
		c.ring.remove(device, size)
		c.ring.add(k.Device, now)
		return KeptAside, nil
	}
	for i := range e.Beside {
		if e.Beside[i].Device == device { // what it says of others may be known by now
			o, err := c.take(e, e.Raw)
			if o == Duplicate {
				o = KeptAside
			}
			return o, err
		}
	}
	if err := c.keepBeside(e); err != nil {
		return 0, err
	}
	if _, err := c.j.w.ExecContext(c.ctx, "DELETE FROM kept WHERE id = ?", id); err != nil {
		return 0, fmt.Errorf("take a message out of the kept ones: %w", err)
	}
	c.ring.remove(device, size)
	c.counts[CountRecovered+reason]++
	return c.take(e, e.Raw)
}

// keepBeside keeps what a message that leaves the ring says of devices that it
// did not stand there for.
func (c *commit) keepBeside(e *Entry) error {
	for i := range e.Beside {
		b := &e.Beside[i]
		var there bool
		if err := c.j.w.QueryRowContext(c.ctx, "SELECT EXISTS (SELECT 1 FROM kept WHERE device = ? AND received = ? AND topic = ?)", b.Device, b.Received.UnixMilli(), b.Topic).Scan(&there); err != nil {
			return fmt.Errorf("look up a kept message: %w", err)
		}
		if there {
			continue
		}
		if err := c.keep(b); err != nil {
			return err
		}
	}
	return nil
}

func (c *commit) rerunRaw(m *Raw, e *Entry) (Outcome, error) {
	if e.Kept != nil {
		return KeptAside, nil
	}
	if len(e.Readings)+len(e.Facts) == 0 {
		return Duplicate, nil
	}
	received := m.Received.UnixMilli()
	now := Raw{Received: m.Received, Topic: m.Topic, Payload: m.Payload, Retained: m.Retained, Dup: m.Dup}
	same := make([]bool, len(e.Readings))
	replaced := 0
	for _, g := range m.gave {
		ch, ok := c.channelOf(g.channel)
		if !ok {
			continue
		}
		old, ok, err := c.rowAt(ch, g)
		if err != nil {
			return 0, err
		}
		if !ok || old.Received.UnixMilli() != received {
			continue // gone, or another message has won the place
		}
		still := false
		for i := range e.Readings {
			if r := &e.Readings[i]; r.Channel == ch && r.Key == g.key && r.At.UnixMilli() == old.At.UnixMilli() && reading.SameValue(old, *r) {
				same[i], still = true, true
			}
		}
		if still {
			now.gave = append(now.gave, g)
			continue
		}
		if err := c.takeBack(&old, g); err != nil {
			return 0, err
		}
		replaced++
	}
	fresh := Entry{Person: e.Person, Facts: e.Facts}
	for i := range e.Readings {
		if !same[i] {
			r := e.Readings[i]
			if replaced > 0 {
				r.Flags |= reading.Corrected
			}
			fresh.Readings = append(fresh.Readings, r)
		}
	}
	if err := c.correctFacts(m, &fresh, &now); err != nil {
		return 0, err
	}
	had := len(c.raws)
	o, err := c.take(&fresh, &now)
	c.raws = c.raws[:had] // the message is in the ring already
	if replaced > 0 || o == Stored {
		*m = now
		c.again.changed = true
	}
	c.replaced += replaced
	if replaced > 0 && o == Duplicate {
		o = Stored // something has changed
	}
	return o, err
}

// correctFacts has facts that say something else than those which the same
// message gave before name them.
func (c *commit) correctFacts(m *Raw, e *Entry, now *Raw) error {
	for _, id := range m.facts {
		now.facts = append(now.facts, id)
		var kind, device string
		var content []byte
		err := c.j.w.QueryRowContext(c.ctx, "SELECT kind, device, content FROM fact WHERE id = ?", id).Scan(&kind, &device, &content)
		if errors.Is(err, sql.ErrNoRows) {
			continue
		}
		if err != nil {
			return fmt.Errorf("look up fact %s: %w", id, err)
		}
		for i := range e.Facts {
			f := &e.Facts[i]
			if string(f.Kind) != kind || f.Device != device || f.Corrects != "" || f.ID == id {
				continue
			}
			says, err := contentOf(*f)
			if err != nil {
				return fmt.Errorf("%w: fact of kind %s: %w", ErrRefused, f.Kind, err)
			}
			if string(says) != string(content) {
				f.Corrects = id
			}
		}
	}
	return nil
}

// channelOf gives the channel of a number.
func (c *commit) channelOf(id int64) (reading.Channel, bool) {
	if c.again.channels == nil {
		c.again.channels = c.j.known.names()
	}
	ch, ok := c.again.channels[id]
	return ch, ok
}

// takeBack removes a reading and keeps it aside.
func (c *commit) takeBack(old *reading.Reading, g given) (err error) {
	// Asked while the row is there: it may be the newest.
	if s := (Series{old.Device, KindOf(old.Quantity)}); derived(s.Kind) {
		if _, err := c.newestOf(s); err != nil {
			return err
		}
	}
	if g.key != "" {
		_, err = c.j.w.ExecContext(c.ctx, "DELETE FROM increment WHERE channel = ? AND id = ?", g.channel, g.key)
	} else {
		_, err = c.j.w.ExecContext(c.ctx, "DELETE FROM reading WHERE channel = ? AND at = ?", g.channel, g.at)
	}
	if err != nil {
		return fmt.Errorf("take back %s of %s: %w", old.Quantity, old.Device, err)
	}
	c.forward(g.channel, old.Channel, old.At.UnixMilli(), true)
	c.counts[CountReplaced]++
	if err := c.changed(old, old.At.UnixMilli()); err != nil {
		return err
	}
	return c.keep(&Kept{
		Received: old.Received, Device: old.Device, Reason: ReasonReplaced, Payload: describe(old),
		Detail: "its message was run again under other rules and says something else now",
	})
}

// finish writes the block as it now is, and undoes a trial.
func (a *again) finish(c *commit) error {
	if a.trial {
		return errTrial
	}
	if a.block == 0 || !a.changed {
		return nil
	}
	var plain []byte
	for i := range a.raws {
		plain = appendRaw(plain, &a.raws[i])
	}
	body, err := packRaw(plain)
	if err != nil {
		return fmt.Errorf("pack raw messages: %w", err)
	}
	c.j.raw.held = -1 // counted anew with the next block
	if _, err := c.j.w.ExecContext(c.ctx, "UPDATE raw SET body = ? WHERE id = ?", body, a.block); err != nil {
		return fmt.Errorf("keep raw messages: %w", err)
	}
	return nil
}

// ForgetUnknown takes devices that are known by now off the list of unknown
// ones.
func (j *Journal) ForgetUnknown(ctx context.Context, devices []string) error {
	if len(devices) == 0 {
		return nil
	}
	return j.write(ctx, "forget unknown devices", func(ctx context.Context) error {
		j.known.unknown = -1 // counted anew
		for _, d := range devices {
			if _, err := j.w.ExecContext(ctx, "DELETE FROM unknown WHERE device = ?", d); err != nil {
				return err
			}
		}
		return nil
	})
}
