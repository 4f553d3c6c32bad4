package journal

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Snapshot reads one consistent state of the journal. It holds a reader until
// Close, and must not be kept long: an open snapshot keeps the write-ahead log
// from being reused. Not safe for concurrent use.
type Snapshot struct {
	j    *Journal
	link *link
	ctx  context.Context

	steps int    // rows read by scans
	shard *shard // of a pin, nil where it stands alone
	memo  *memo  // nil where it stands alone
	arena *arena // of a fetched one
}

// Snapshot begins to read. Close must follow.
func (j *Journal) Snapshot(ctx context.Context) (*Snapshot, error) {
	k, err := j.links.take(ctx)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", j.path, j.fault(err))
	}
	return &Snapshot{j: j, link: k, ctx: ctx}, nil
}

// Close gives the reader back.
func (s *Snapshot) Close() {
	if s.shard != nil {
		s.shard.mu.Unlock()
		return
	}
	if s.link != nil {
		s.j.links.give(s.link)
		s.link = nil
	}
	if s.arena != nil {
		s.arena.parts, s.arena.levels = s.arena.parts[:0], s.arena.levels[:0]
		s.arena.memo.empty()
		arenas.Put(s.arena)
		s.arena, s.memo = nil, nil
	}
}

func (s *Snapshot) query(text string, args ...any) (*rows, error) {
	if err := s.ctx.Err(); err != nil {
		return nil, err
	}
	r, err := s.link.query(text, args)
	if err != nil {
		return nil, s.wrap(err)
	}
	return r, nil
}

// one reads a single row; ok is false where there is none.
func (s *Snapshot) one(dst []any, text string, args ...any) (ok bool, err error) {
	rows, err := s.query(text, args...)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	if !rows.Next() {
		return false, s.wrap(rows.Err())
	}
	if err := rows.Scan(dst...); err != nil {
		return false, s.wrap(err)
	}
	return true, s.wrap(rows.Close())
}

func (s *Snapshot) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("read %s: %w", s.j.path, s.j.fault(err))
}

// channelID is a channel with its number.
type channelID struct {
	id       int64
	quantity reading.Quantity
}

// channels gives the channels of a device, of one kind or of all (""), in the
// order of their quantities.
func (s *Snapshot) channels(device string, kind reading.Kind) ([]channelID, error) {
	all, known := s.j.channelsOf(device)
	if !known && s.memo != nil {
		all, known = s.memo.channels[device]
	}
	if !known {
		rows, err := s.query("SELECT id, quantity FROM channel WHERE device = ? ORDER BY quantity", device)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			var c channelID
			if err := rows.Scan(&c.id, &c.quantity); err != nil {
				return nil, s.wrap(err)
			}
			all = append(all, c)
		}
		if err := rows.Err(); err != nil {
			return nil, s.wrap(err)
		}
		if s.memo != nil {
			s.memo.channels[device] = all
		}
	}
	if kind == "" {
		return all, nil
	}
	out := make([]channelID, 0, len(all))
	for _, c := range all {
		if KindOf(c.quantity) == kind {
			out = append(out, c)
		}
	}
	return out, nil
}

// channelsOf gives what the writer knows of a device's channels without asking
// the file; known is false in a reader. It may be ahead of a snapshot, which
// then finds no rows.
func (j *Journal) channelsOf(device string) (all []channelID, known bool) {
	if !j.writes {
		return nil, false
	}
	if v, ok := j.byDevice.Load(device); ok {
		all = v.([]channelID)
	}
	return all, true
}

// noteChannel adds to what channelsOf gives. The slices in use are never
// changed. Called under j.mu, or before the journal is in use.
func (j *Journal) noteChannel(ch reading.Channel, id int64) {
	old, _ := j.channelsOf(ch.Device)
	all := append(slices.Clone(old), channelID{id, ch.Quantity})
	slices.SortFunc(all, func(a, b channelID) int { return strings.Compare(string(a.quantity), string(b.quantity)) })
	j.byDevice.Store(ch.Device, all)
}

// Late is a note of readings that the derived data of a series do not yet
// know: the earliest of them, and the newest such note. Seq 0: none.
type Late struct {
	At  time.Time
	Seq int64
}

// Saved is what is derived of a series, as far as a snapshot has it.
type Saved struct {
	ID      int64
	At      time.Time // readings up to here are folded in
	Rules   string    // fingerprint of what the fold was told
	Edition int64     // see [Head]
	Late    Late

	state []byte // packed
	open  []byte // figures of the newest day
}

// State gives the fold's state where it ended.
func (x *Saved) State() ([]byte, error) { return unpack(x.state) }

// Head gives how far a series is derived; ok is false where nothing is, and
// late notes are not looked up then.
func (s *Snapshot) Head(series Series) (x Saved, ok bool, err error) {
	if s.memo == nil {
		return s.head(series)
	}
	if m, ok := s.memo.heads[series]; ok {
		return m.saved, m.ok, nil
	}
	x, ok, err = s.head(series)
	if err == nil {
		s.memo.heads[series] = headMemo{saved: x, ok: ok}
	}
	return x, ok, err
}

func (s *Snapshot) head(series Series) (x Saved, ok bool, err error) {
	var at int64
	var ms, seq *int64
	ok, err = s.one([]any{&x.ID, &at, &x.state, &x.Rules, &x.Edition, &x.open, &ms, &seq},
		`SELECT id, head_at, head_state, rules, edition, open,
		(SELECT min(at) FROM touched WHERE device = ?1 AND kind = ?2), (SELECT max(seq) FROM touched WHERE device = ?1 AND kind = ?2)
		FROM series WHERE device = ?1 AND kind = ?2`, series.Device, string(series.Kind))
	if err != nil {
		return x, ok, err
	}
	x.At = time.UnixMilli(at).UTC()
	if ms != nil && seq != nil {
		x.Late = Late{At: time.UnixMilli(*ms).UTC(), Seq: *seq}
	}
	return x, ok, nil
}

// LastNote gives the newest note of late readings of a series, 0: none.
func (s *Snapshot) LastNote(series Series) (seq int64, err error) {
	var n *int64
	if _, err = s.one([]any{&n}, "SELECT max(seq) FROM touched WHERE device = ? AND kind = ?", series.Device, string(series.Kind)); n != nil {
		seq = *n
	}
	return seq, err
}

// CheckpointAt gives the newest checkpoint of a series on or before a day.
func (s *Snapshot) CheckpointAt(id int64, day civil.Date) (c Checkpoint, ok bool, err error) {
	if s.memo == nil {
		return s.checkpointAt(id, day)
	}
	if m, ok := s.memo.checkpoints[dayKey{id, day}]; ok {
		return m.c, m.ok, nil
	}
	if c, ok, err = s.checkpointAt(id, day); err == nil {
		s.memo.checkpoints[dayKey{id, day}] = checkpointMemo{c, ok}
	}
	return c, ok, err
}

func (s *Snapshot) checkpointAt(id int64, day civil.Date) (c Checkpoint, ok bool, err error) {
	var place int64
	ok, err = s.one([]any{&place, &c.State}, "SELECT place, state FROM checkpoint WHERE place BETWEEN ? AND ? ORDER BY place DESC LIMIT 1", checkpointPlace(id, firstOfAll), checkpointPlace(id, day))
	if err != nil || !ok {
		return c, ok, err
	}
	c.Day = checkpointDay(place)
	c.State, err = unpack(c.State)
	return c, ok, s.wrap(err)
}

// Parts gives the parts of a series that were emitted from one day on and before
// another, in the order of Emitted, then Day. The list must not be changed; that
// of a fetched snapshot ends with it.
func (s *Snapshot) Parts(x *Saved, first, before civil.Date) ([]Part, error) {
	list, ok := []Part(nil), false
	if s.memo != nil {
		list, ok = s.memo.partsOf(x.ID, first, before)
	}
	if !ok {
		var buffer []Part
		if s.arena != nil {
			buffer = s.arena.parts
		}
		var err error
		if list, buffer, err = figures(s, &partForm, x, first, before-1, buffer); err != nil {
			return nil, err
		}
		if s.arena != nil {
			s.arena.parts = buffer
		}
		if s.memo != nil {
			s.memo.parts[x.ID] = partsMemo{first, before, list}
		}
	}
	from, _ := slices.BinarySearchFunc(list, first, emitted)
	to, _ := slices.BinarySearchFunc(list, before, emitted)
	return list[from:max(from, to)], nil
}

func emitted(p Part, d civil.Date) int { return cmp.Compare(p.Emitted, d) }

// PartsEmitted gives the parts that the readings of one day brought, in the
// order of their days.
func (s *Snapshot) PartsEmitted(x *Saved, day civil.Date) ([]Part, error) {
	// As a rule it is the newest day.
	list, err := partForm.decode(x.open, nil)
	if err != nil {
		return nil, s.wrap(err)
	}
	if len(list) == 0 || list[0].Emitted > day {
		list, _, err := figures(s, &partForm, x, day, day, nil)
		return list, err
	}
	if list[0].Emitted < day {
		return nil, nil
	}
	return list, nil
}

// LevelDays gives the last level readings of the days first to last, both
// included, in time order.
func (s *Snapshot) LevelDays(x *Saved, first, last civil.Date) ([]LevelDay, error) {
	if s.memo != nil {
		if list, ok := s.memo.levelsOf(x.ID, first, last); ok {
			return list, nil
		}
	}
	var buffer []LevelDay
	if s.arena != nil {
		buffer = s.arena.levels
	}
	list, buffer, err := figures(s, &levelForm, x, first, last, buffer)
	if err != nil {
		return nil, err
	}
	if s.arena != nil {
		s.arena.levels = buffer
	}
	slices.SortStableFunc(list, func(a, b LevelDay) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(string(a.Quantity), string(b.Quantity)))
	})
	if s.memo != nil {
		s.memo.levels[x.ID] = levelsMemo{first, last, list}
	}
	return list, nil
}

// figures reads the figures of a series that lie at the days first to last, in
// order. They come to lie at the end of a buffer, which may be nil.
func figures[T any](s *Snapshot, f *form[T], x *Saved, first, last civil.Date, buffer []T) (out, grown []T, err error) {
	start := len(buffer)
	rows, err := s.query("SELECT body FROM bundle WHERE place BETWEEN ? AND ? ORDER BY place", placeOf(x.ID, span(first)), placeOf(x.ID, span(last)))
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			return nil, nil, s.wrap(err)
		}
		if buffer, err = f.decode(body, slices.Grow(buffer, len(body)/16)); err != nil {
			return nil, nil, s.wrap(err)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, nil, s.wrap(err)
	}
	end := len(buffer)
	if buffer, err = f.decode(x.open, buffer); err != nil {
		return nil, nil, s.wrap(err)
	}
	if newest := buffer[end:]; len(newest) > 0 && end > start {
		// Nothing of that day lies in a bundle; if it did, the newer would stand.
		kept := f.before(buffer[start:end], f.day(&newest[0]))
		buffer = append(buffer[:start+len(kept)], newest...)
	}
	out = buffer[start:]
	n, _ := slices.BinarySearchFunc(out, first, func(x T, d civil.Date) int { return cmp.Compare(f.day(&x), d) })
	out = out[n:]
	if last < lastDay {
		out = f.before(out, last+1)
	}
	return out[:len(out):len(out)], buffer, nil
}

// firstOfAll and lastDay are before and after all days.
const (
	firstOfAll civil.Date = math.MinInt32
	lastDay    civil.Date = math.MaxInt32
)

// Series lists all series that have readings, in the order of their devices.
func (s *Snapshot) Series() ([]Series, error) {
	rows, err := s.query("SELECT device, quantity FROM channel ORDER BY device, quantity")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Series
	for rows.Next() {
		var device, quantity string
		if err := rows.Scan(&device, &quantity); err != nil {
			return nil, s.wrap(err)
		}
		x := Series{device, KindOf(reading.Quantity(quantity))}
		if derived(x.Kind) && !slices.Contains(out[max(0, len(out)-4):], x) {
			out = append(out, x)
		}
	}
	return out, s.wrap(rows.Err())
}

// Newest gives the newest live reading or report of a device at or before an
// instant. Replays by the broker and what people entered do not count.
func (s *Snapshot) Newest(device string, until time.Time) (at time.Time, channel reading.Quantity, ok bool, err error) {
	key := seenKey{device, until.UnixMilli()}
	if s.memo != nil {
		if m, ok := s.memo.newest[key]; ok {
			return m.at, m.channel, m.ok, nil
		}
	}
	if at, channel, ok, err = s.newestOf(device, until); err == nil && s.memo != nil {
		s.memo.newest[key] = seenMemo{at, channel, ok}
	}
	return at, channel, ok, err
}

func (s *Snapshot) newestOf(device string, until time.Time) (at time.Time, channel reading.Quantity, ok bool, err error) {
	channels, err := s.channels(device, "")
	if err != nil {
		return time.Time{}, "", false, err
	}
	if newest, channel, known := s.newestFetched(channels, device, until.UnixMilli()); known {
		return time.UnixMilli(newest).UTC(), channel, newest != math.MinInt64, nil
	}
	newest := int64(math.MinInt64)
	for _, c := range channels {
		text := "SELECT at FROM reading WHERE channel = ? AND at <= ? AND flags & ? = 0 ORDER BY at DESC LIMIT 1"
		if c.quantity == reading.PulseIncrement {
			text = "SELECT at FROM increment WHERE channel = ? AND at <= ? AND flags & ? = 0 ORDER BY at DESC LIMIT 1"
		}
		var ms int64
		found, err := s.one([]any{&ms}, text, c.id, until.UnixMilli(), int64(reading.Retained))
		if err != nil {
			return time.Time{}, "", false, err
		}
		if found && ms > newest {
			newest, channel, ok = ms, c.quantity, true
		}
	}
	// A status that carries a setting or fault words only is a sign of life.
	var ms *int64
	if _, err := s.one([]any{&ms}, "SELECT max(min(until, ?)) FROM fact WHERE device = ? AND person = 0 AND at <= ?", until.UnixMilli(), device, until.UnixMilli()); err != nil {
		return time.Time{}, "", false, err
	}
	if ms != nil && *ms > newest {
		newest, ok = *ms, true
	}
	return time.UnixMilli(newest).UTC(), channel, ok, nil
}
