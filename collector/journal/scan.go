package journal

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
)

// Scan hands the readings of a series after one instant and up to another to
// fn, in the order of reading.Compare. Before a reading come those of
// [reading.StatusOnline] of the devices in heard that are no newer; what such
// a device said after the last reading is left out. An error of fn ends it.
func (s *Snapshot) Scan(series Series, heard []string, after, to time.Time, fn func(reading.Reading) error) error {
	if ok, err := s.memo.scanOf(series, heard, millis(after), millis(to), fn); ok {
		return err
	}
	channels, err := s.channels(series.Device, series.Kind)
	if err != nil || s.nothingAfter(channels, millis(after)) {
		return err
	}
	sources := sourcesOf(series.Device, channels)
	if len(sources) > 0 {
		for _, device := range heard {
			said, err := s.channels(device, reading.Status)
			if err != nil {
				return err
			}
			for _, c := range said {
				if c.quantity == reading.StatusOnline {
					sources = append(sources, source{device, c, true})
				}
			}
		}
	}
	if s.memo == nil {
		return s.scan(sources, after, to, fn)
	}
	kept := scanMemo{heard: heard, after: millis(after), to: millis(to)}
	err = s.scan(sources, after, to, func(r reading.Reading) error {
		if len(kept.list) <= memoScan {
			kept.list = append(kept.list, r)
		}
		return fn(r)
	})
	if err == nil && len(kept.list) <= memoScan {
		s.memo.keepScan(series, kept)
	}
	return err
}

// nothingAfter says that channels are known to have no readings after an
// instant.
func (s *Snapshot) nothingAfter(channels []channelID, after int64) bool {
	for _, c := range channels {
		if s.memo == nil {
			return false
		}
		if t, ok := s.memo.tails[c.id]; !ok || t.at > after {
			return false
		}
	}
	return true
}

// spaces has one for each quantity that a device may have, and some to spare.
const spaces = "                                                                "

// source is a channel to be read; one that is beside goes before others of the
// same time, and counts only as far as they go.
type source struct {
	device string
	channelID
	beside bool
}

func sourcesOf(device string, channels []channelID) []source {
	out := make([]source, len(channels), len(channels)+2)
	for i, c := range channels {
		out[i] = source{device, c, false}
	}
	return out
}

// cursor walks one channel.
type cursor struct {
	rows   *rows
	r      reading.Reading
	beside bool
	done   bool
}

// before says which of two cursors is to be handed out first.
func (c *cursor) before(d *cursor) bool {
	if c.beside != d.beside {
		if x := c.r.At.Compare(d.r.At); x != 0 {
			return x < 0
		}
		return c.beside
	}
	return reading.Compare(c.r, d.r) < 0
}

func (s *Snapshot) scan(sources []source, after, to time.Time, fn func(reading.Reading) error) error {
	var open []*cursor
	defer func() {
		for _, c := range open {
			c.rows.Close()
		}
	}()
	own := 0 // cursors that are not done, those beside left out
	for i, ch := range sources {
		table := "SELECT at, '', value, lag, flags FROM reading WHERE channel = ? AND at > ? AND at <= ? ORDER BY at"
		if ch.quantity == reading.PulseIncrement {
			table = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ? AND at > ? AND at <= ? ORDER BY at, id"
		}
		// Several are open at once, and a kept statement can be open only once:
		// spaces make each a statement of its own.
		rows, err := s.query(table+spaces[:min(i, len(spaces))], ch.id, millis(after), millis(to))
		if err != nil {
			return err
		}
		c := &cursor{rows: rows, r: reading.Reading{Channel: reading.Channel{Device: ch.device, Quantity: ch.quantity}}, beside: ch.beside}
		open = append(open, c)
		if err := s.next(c); err != nil {
			return err
		}
		if !c.beside && !c.done {
			own++
		}
	}
	for own > 0 {
		var first *cursor
		for _, c := range open {
			if !c.done && (first == nil || c.before(first)) {
				first = c
			}
		}
		if err := fn(first.r); err != nil {
			return err
		}
		if err := s.next(first); err != nil {
			return err
		}
		if first.done && !first.beside {
			own--
		}
	}
	return nil
}

func (s *Snapshot) next(c *cursor) error {
	if s.steps++; s.steps%1024 == 0 && s.ctx.Err() != nil {
		return s.ctx.Err()
	}
	if !c.rows.Next() {
		c.done = true
		return s.wrap(c.rows.Err())
	}
	var at int64
	var key string
	var o row
	if err := c.rows.Scan(&at, &key, &o.value, &o.lag, &o.flags); err != nil {
		return s.wrap(err)
	}
	c.r = decode(c.r.Channel, at, o)
	c.r.Key = key
	return nil
}

// millis gives the ms of an instant; the zero time is before all readings.
func millis(t time.Time) int64 {
	if t.IsZero() {
		return math.MinInt64
	}
	return t.UnixMilli()
}

// Last gives the newest readings of a channel at or before an instant, newest
// first, at most n, replays by the broker left out.
func (s *Snapshot) Last(ch reading.Channel, until time.Time, n int) ([]reading.Reading, error) {
	key := lastKey{ch, until.UnixMilli(), n}
	if s.memo != nil {
		if list, ok := s.memo.last[key]; ok {
			return slices.Clone(list), nil
		}
	}
	list, err := s.lastOf(ch, until, n)
	if err == nil && s.memo != nil {
		s.memo.last[key] = slices.Clone(list)
		s.memo.held += len(list)
	}
	return list, err
}

func (s *Snapshot) lastOf(ch reading.Channel, until time.Time, n int) ([]reading.Reading, error) {
	channels, err := s.channels(ch.Device, "")
	i := slices.IndexFunc(channels, func(c channelID) bool { return c.quantity == ch.Quantity })
	if err != nil || i < 0 {
		return nil, err
	}
	id := channels[i].id
	text := "SELECT at, '', value, lag, flags FROM reading WHERE channel = ? AND at <= ? AND flags & ? = 0 ORDER BY at DESC LIMIT ?"
	if ch.Quantity == reading.PulseIncrement {
		text = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ? AND at <= ? AND flags & ? = 0 ORDER BY at DESC, id DESC LIMIT ?"
	}
	rows, err := s.query(text, id, until.UnixMilli(), int64(reading.Retained), n)
	if err != nil {
		return nil, err
	}
	c := &cursor{rows: rows, r: reading.Reading{Channel: ch}}
	defer rows.Close()
	var out []reading.Reading
	for {
		if err := s.next(c); err != nil || c.done {
			return out, err
		}
		out = append(out, c.r)
	}
}

// Readings hands all readings of devices that match (nil: all), after one
// instant and up to another, to fn: by device, then in time order.
func (j *Journal) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	s, err := j.Snapshot(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	if devices == nil {
		if devices, err = s.devices(); err != nil {
			return err
		}
	}
	for _, d := range devices {
		channels, err := s.channels(d, "")
		if err != nil {
			return err
		}
		if err := s.scan(sourcesOf(d, channels), after, to, fn); err != nil {
			return err
		}
	}
	return nil
}

func (s *Snapshot) devices() ([]string, error) {
	rows, err := s.query("SELECT DISTINCT device FROM channel ORDER BY device")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var d string
		if err := rows.Scan(&d); err != nil {
			return nil, s.wrap(err)
		}
		out = append(out, d)
	}
	return out, s.wrap(errors.Join(rows.Err()))
}
