package journal

import (
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
)

// take stores what an entry holds. With raw the message is kept as it came,
// unless nothing of it was new: then a copy is there already.
func (c *commit) take(e *Entry, raw *Raw) (Outcome, error) {
	if c.j.raw.limit <= 0 || raw != nil && len(raw.Payload) > rawPayload {
		raw = nil
	}
	stored, lost := false, false
	for i := range e.Readings {
		r := &e.Readings[i]
		o, err := c.reading(r)
		if err != nil {
			return 0, err
		}
		stored = stored || o == Stored
		lost = lost || o == KeptAside
		if raw != nil && o == Stored {
			id, err := c.channel(r.Channel)
			if err != nil {
				return 0, err
			}
			raw.gave = append(raw.gave, given{id, r.At.UnixMilli(), r.Key})
		}
	}
	for i := range e.Facts {
		f := &e.Facts[i]
		ok, err := c.fact(f, e.Person)
		if err != nil {
			return 0, err
		}
		stored = stored || ok
		if raw != nil && ok {
			raw.facts = append(raw.facts, f.ID)
		}
	}
	if raw != nil && (stored || lost) {
		c.raws = append(c.raws, *raw)
	}
	switch {
	case stored:
		return Stored, nil
	case lost:
		return KeptAside, nil
	}
	return Duplicate, nil
}

// reading stores one reading, or settles it with the one that is there.
func (c *commit) reading(r *reading.Reading) (Outcome, error) {
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		return KeptAside, c.keep(&Kept{Received: r.Received, Device: r.Device, Reason: "not_finite", Payload: describe(r), Detail: string(r.Quantity)})
	}
	identify(r)
	if until, ok := c.j.known.aged[Series{r.Device, KindOf(r.Quantity)}]; ok && r.At.UnixMilli() < until {
		return KeptAside, c.keep(&Kept{
			Received: r.Received, Device: r.Device, Reason: ReasonAged, Payload: describe(r),
			Detail: fmt.Sprintf("%s of before %s is not kept any more", r.Quantity, time.UnixMilli(until).UTC().Format(time.RFC3339)),
		})
	}
	id, err := c.channel(r.Channel)
	if err != nil {
		return 0, err
	}
	// Asked before the row is in, so that it does not find itself.
	if s := (Series{r.Device, KindOf(r.Quantity)}); derived(s.Kind) {
		if _, err := c.newestOf(s); err != nil {
			return 0, err
		}
	}
	at := r.At.UnixMilli()
	row := encode(r)
	insert, args := stmtReading, []any{id, at, row.value, row.lag, row.flags}
	if r.Key != "" {
		insert, args = stmtIncrement, []any{id, r.Key, at, row.value, row.lag, row.flags}
	}
	done, err := c.j.stmts[insert].ExecContext(c.ctx, args...)
	if err != nil {
		return 0, fmt.Errorf("store %s of %s: %w", r.Quantity, r.Device, err)
	}
	if n, err := done.RowsAffected(); err != nil {
		return 0, err
	} else if n == 1 {
		c.forward(id, r.Channel, at, false)
		return Stored, c.changed(r, at)
	}
	old, ok, err := c.rowAt(r.Channel, given{id, at, r.Key})
	if err == nil && !ok {
		err = fmt.Errorf("read back %s of %s: %w", r.Quantity, r.Device, sql.ErrNoRows)
	}
	if err != nil {
		return 0, err
	}
	winner, loser := reading.Resolve(old, *r)
	row = encode(&winner)
	if was := encode(&old); was != row || !old.At.Equal(winner.At) {
		if r.Key != "" {
			_, err = c.j.stmts[stmtIncrementUpdate].ExecContext(c.ctx, winner.At.UnixMilli(), row.value, row.lag, row.flags, id, r.Key)
		} else {
			_, err = c.j.stmts[stmtReadingUpdate].ExecContext(c.ctx, row.value, row.lag, row.flags, id, at)
		}
		if err != nil {
			return 0, fmt.Errorf("settle %s of %s: %w", r.Quantity, r.Device, err)
		}
		if moved := old.At.UnixMilli(); moved != winner.At.UnixMilli() {
			c.forward(id, r.Channel, moved, true)
		}
		c.forward(id, r.Channel, winner.At.UnixMilli(), false)
		// The fold sees flags, too, so any change is derived anew, from the
		// earlier of the two places.
		if err := c.changed(r, min(old.At.UnixMilli(), winner.At.UnixMilli())); err != nil {
			return 0, err
		}
	}
	if reading.SameValue(old, *r) {
		return Duplicate, nil
	}
	err = c.keep(&Kept{Received: loser.Received, Device: r.Device, Reason: ReasonConflict, Payload: describe(&loser), Detail: fmt.Sprintf("another %s came for %s", r.Quantity, r.At.UTC().Format(time.RFC3339Nano))})
	if err != nil {
		return 0, err
	}
	if reading.SameValue(winner, old) {
		return KeptAside, nil
	}
	return Stored, nil
}

// forward notes for the receiver, if there is one, that a reading is new or
// different at a time, or gone from there.
func (c *commit) forward(id int64, ch reading.Channel, at int64, gone bool) {
	if f := c.j.fwd; f != nil {
		c.news.change(f, id, ch, stretch{at, at, gone}, 1)
	}
}

// changed notes that a series has something new at a time.
func (c *commit) changed(r *reading.Reading, at int64) error {
	c.rows++
	c.devices[r.Device] = struct{}{}
	if r.Quantity == reading.StatusOnline {
		return c.heard(r.Device, at)
	}
	s := Series{r.Device, KindOf(r.Quantity)}
	if !derived(s.Kind) {
		return nil
	}
	c.series[s] = struct{}{}
	newest, err := c.newestOf(s)
	if err != nil {
		return err
	}
	// Whatever is not newer than all that was committed before may lie behind
	// what has been derived, so it is put on record.
	if at <= newest {
		c.touch(s, at)
	}
	if at > c.top[s] {
		c.top[s] = at
	}
	return nil
}

// touch puts a late change of a series on record.
func (c *commit) touch(s Series, at int64) {
	if t, ok := c.touched[s]; !ok || at < t {
		c.touched[s] = at
	}
}

// heard notes what is said of whether a device can be reached. It is part of
// what is measured of the device, and of those behind it: where that goes on
// after it, it comes late.
func (c *commit) heard(device string, at int64) error {
	devices := []string{device}
	if c.j.behind != nil {
		devices = append(devices, c.j.behind(device)...)
	}
	for _, d := range devices {
		for _, kind := range []reading.Kind{reading.Run, reading.Pulse, reading.Dose} {
			s := Series{d, kind}
			if until, ok := c.j.known.aged[s]; ok && at < until {
				continue // what is before is the record
			}
			newest, err := c.newestOf(s)
			if err != nil {
				return err
			}
			if at <= newest {
				c.touch(s, at)
				c.series[s], c.devices[d] = struct{}{}, struct{}{}
			}
		}
	}
	return nil
}

// channel gives a channel its number.
func (c *commit) channel(ch reading.Channel) (int64, error) {
	if id, ok := c.j.known.channels[ch]; ok {
		return id, nil
	}
	if id, ok := c.channels[ch]; ok {
		return id, nil
	}
	done, err := c.j.w.ExecContext(c.ctx, "INSERT INTO channel (device, quantity) VALUES (?, ?)", ch.Device, string(ch.Quantity))
	if err != nil {
		return 0, fmt.Errorf("number channel %s of %s: %w", ch.Quantity, ch.Device, err)
	}
	id, err := done.LastInsertId()
	if err != nil {
		return 0, err
	}
	c.channels[ch] = id
	return id, nil
}

// newestOf gives the newest reading of a series before this commit, ms. The
// file is asked once per series.
func (c *commit) newestOf(s Series) (int64, error) {
	if at, ok := c.j.known.newest[s]; ok {
		return at, nil
	}
	if at, ok := c.newest[s]; ok {
		return at, nil
	}
	newest := int64(math.MinInt64)
	known, _ := c.j.channelsOf(s.Device)
	var ids []int64
	for _, ch := range known {
		if KindOf(ch.quantity) == s.Kind {
			ids = append(ids, ch.id)
		}
	}
	for _, id := range ids {
		for _, q := range []string{"SELECT max(at) FROM reading WHERE channel = ?", "SELECT max(at) FROM increment WHERE channel = ?"} {
			var at *int64
			if err := c.j.w.QueryRowContext(c.ctx, q, id).Scan(&at); err != nil {
				return 0, fmt.Errorf("look up the newest reading of %s: %w", s.Device, err)
			}
			if at != nil {
				newest = max(newest, *at)
			}
		}
	}
	c.newest[s] = newest
	return newest, nil
}

// rowAt gives the reading at a place.
func (c *commit) rowAt(ch reading.Channel, g given) (r reading.Reading, ok bool, err error) {
	at := g.at
	var o row
	if g.key != "" {
		err = c.j.stmts[stmtIncrementGet].QueryRowContext(c.ctx, g.channel, g.key).Scan(&at, &o.value, &o.lag, &o.flags)
	} else {
		err = c.j.stmts[stmtReadingGet].QueryRowContext(c.ctx, g.channel, at).Scan(&o.value, &o.lag, &o.flags)
	}
	if errors.Is(err, sql.ErrNoRows) {
		return r, false, nil
	}
	if err != nil {
		return r, false, fmt.Errorf("read back %s of %s: %w", ch.Quantity, ch.Device, err)
	}
	r = decode(ch, at, o)
	r.Key = g.key
	return r, true, nil
}
