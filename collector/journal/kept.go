package journal

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// Kept is a message that could not be taken, or the loser of a conflict.
type Kept struct {
	Received time.Time
	Device   string // empty where the topic names none
	Reason   string // a stable word
	Topic    string // empty for the loser of a conflict
	Payload  []byte
	Detail   string
	Unknown  bool // the device is not in the register
	Retained bool // the broker replayed it
}

// Reasons of readings, not of messages; they cannot be run again.
const (
	ReasonConflict = "conflict" // the loser where two values came for one time
	ReasonReplaced = "replaced" // gave way when its message was run again
)

// Bounds of the kept-aside ring: the newest 64 MB or 30 days, whichever is
// less, fair per device.
const (
	keptBytes = 64 << 20
	keptFor   = 30 * 24 * time.Hour
	keptRow   = 64 // bytes that a row takes beside its texts, roughly
)

// ring is the accounting of the kept-aside ring.
type ring struct {
	bytes  map[string]int64 // by device
	total  int64
	newest int64 // received, ms
	pruned int64 // newest when age was last looked at
	limit  int64
}

func keptSize(topic, payload, detail int) int64 { return int64(topic + payload + detail + keptRow) }

// keptSizeSQL is keptSize of a row; its one parameter is keptRow.
const keptSizeSQL = "octet_length(topic) + octet_length(payload) + octet_length(detail) + ?"

// add counts a message in.
func (r *ring) add(device string, bytes int64) {
	r.bytes[device] += bytes
	r.total += bytes
}

// remove counts a message out.
func (r *ring) remove(device string, bytes int64) {
	r.total -= bytes
	if r.bytes[device] -= bytes; r.bytes[device] <= 0 {
		delete(r.bytes, device)
	}
}

// keep puts a message into the ring.
func (c *commit) keep(k *Kept) error {
	c.counts[CountKept+k.Reason]++
	if err := c.openRing(); err != nil {
		return err
	}
	received := k.Received.UnixMilli()
	payload := k.Payload
	if payload == nil {
		payload = []byte{}
	}
	if _, err := c.j.stmts[stmtKept].ExecContext(c.ctx, received, k.Device, k.Reason, k.Topic, payload, k.Detail, k.Retained); err != nil {
		return fmt.Errorf("keep a message of %q aside: %w", k.Device, err)
	}
	c.ring.add(k.Device, keptSize(len(k.Topic), len(k.Payload), len(k.Detail)))
	c.ring.newest = max(c.ring.newest, received)
	if k.Unknown {
		c.counts[CountUnknown]++
		return c.noteUnknown(k)
	}
	return nil
}

// openRing counts what the ring holds, once.
func (c *commit) openRing() error {
	if c.ring == nil {
		c.ring = c.j.known.kept
	}
	if c.ring != nil {
		return nil
	}
	r := &ring{bytes: map[string]int64{}, limit: c.j.keptLimit}
	rows, err := c.j.w.QueryContext(c.ctx, "SELECT device, sum("+keptSizeSQL+"), max(received) FROM kept GROUP BY device", keptRow)
	if err != nil {
		return fmt.Errorf("count the kept messages: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var device string
		var n, newest int64
		if err := rows.Scan(&device, &n, &newest); err != nil {
			return fmt.Errorf("count the kept messages: %w", err)
		}
		r.add(device, n)
		r.newest = max(r.newest, newest)
	}
	c.ring, c.j.known.kept = r, r
	return rows.Err()
}

// bound makes the ring fit its bounds again; what had to go is counted by its
// reason.
func (c *commit) bound() error {
	r := c.ring
	if r == nil {
		return nil
	}
	// Age is looked at once an hour of received time, counted from the newest
	// message and not from a clock, so that a log of last year can be fed in.
	if r.newest-r.pruned > time.Hour.Milliseconds() {
		r.pruned = r.newest
		if err := c.drop("received < ?", r.newest-keptFor.Milliseconds(), 0); err != nil {
			return err
		}
	}
	if r.total <= r.limit {
		return nil
	}
	// Make some room at once, so that the work is not done for every message.
	// Whoever takes more than the level gives its oldest.
	level := r.level(r.limit - r.limit/64)
	for device, n := range r.bytes {
		if n > level {
			if err := c.drop("device = ?", device, n-level); err != nil {
				return err
			}
		}
	}
	return nil
}

// level finds the most that one device may take so that all fit into target:
// the water level under which small users keep all they have.
func (r *ring) level(target int64) int64 {
	sizes := make([]int64, 0, len(r.bytes))
	for _, n := range r.bytes {
		sizes = append(sizes, n)
	}
	slices.Sort(sizes)
	for i, n := range sizes {
		rest := int64(len(sizes) - i)
		if n*rest > target {
			return target / rest
		}
		target -= n
	}
	return sizes[len(sizes)-1]
}

// drop removes the oldest messages that meet a condition: all, or about as
// many bytes as given.
func (c *commit) drop(where string, arg any, bytes int64) error {
	for all := bytes == 0; all || bytes > 0; {
		rows, err := c.j.w.QueryContext(c.ctx, "SELECT id, device, reason, "+keptSizeSQL+" FROM kept WHERE "+where+" ORDER BY id LIMIT 256", keptRow, arg)
		if err != nil {
			return fmt.Errorf("make room for kept messages: %w", err)
		}
		type old struct {
			id     int64
			device string
			reason string
			size   int64
		}
		var found []old
		for rows.Next() {
			var o old
			if err := rows.Scan(&o.id, &o.device, &o.reason, &o.size); err != nil {
				rows.Close()
				return fmt.Errorf("make room for kept messages: %w", err)
			}
			found = append(found, o)
		}
		if err := rows.Err(); err != nil {
			return fmt.Errorf("make room for kept messages: %w", err)
		}
		rows.Close()
		if len(found) == 0 {
			return nil
		}
		for _, o := range found {
			if !all && bytes <= 0 {
				return nil
			}
			if _, err := c.j.w.ExecContext(c.ctx, "DELETE FROM kept WHERE id = ?", o.id); err != nil {
				return fmt.Errorf("make room for kept messages: %w", err)
			}
			bytes -= o.size
			c.ring.remove(o.device, o.size)
			c.counts[CountOverwritten+o.reason]++
		}
	}
	return nil
}

// KeptAside lists the kept messages, newest first, at most limit.
func (j *Journal) KeptAside(ctx context.Context, limit int) ([]Kept, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT received, device, reason, topic, payload, detail FROM kept ORDER BY id DESC LIMIT ?", limit)
	if err != nil {
		return nil, fmt.Errorf("list the kept messages of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []Kept
	for rows.Next() {
		var k Kept
		var received int64
		if err := rows.Scan(&received, &k.Device, &k.Reason, &k.Topic, &k.Payload, &k.Detail); err != nil {
			return nil, fmt.Errorf("list the kept messages of %s: %w", j.path, j.fault(err))
		}
		k.Received = time.UnixMilli(received).UTC()
		out = append(out, k)
	}
	return out, rows.Err()
}
