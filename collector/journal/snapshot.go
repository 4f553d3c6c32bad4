package journal

import (
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
}

// Snapshot begins to read. Close must follow.
func (j *Journal) Snapshot(ctx context.Context) (*Snapshot, error) {
	k, err := j.links.take(ctx)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", j.path, fault(j.path, err))
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
	return fmt.Errorf("read %s: %w", s.j.path, fault(s.j.path, err))
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

// Head gives how far a series is derived; ok is false where nothing is, and
// late then is not looked up.
func (s *Snapshot) Head(series Series) (id int64, h Head, late Late, ok bool, err error) {
	if s.memo == nil {
		return s.head(series)
	}
	if m, ok := s.memo.heads[series]; ok {
		return m.id, m.head, m.late, m.ok, nil
	}
	if id, h, late, ok, err = s.head(series); err == nil {
		s.memo.heads[series] = headMemo{id, h, late, ok}
	}
	return id, h, late, ok, err
}

func (s *Snapshot) head(series Series) (id int64, h Head, late Late, ok bool, err error) {
	var at int64
	var ms, seq *int64
	ok, err = s.one([]any{&id, &at, &h.State, &h.Rules, &h.Edition, &ms, &seq},
		`SELECT id, head_at, head_state, rules, edition,
		(SELECT min(at) FROM touched WHERE device = ?1 AND kind = ?2), (SELECT max(seq) FROM touched WHERE device = ?1 AND kind = ?2)
		FROM series WHERE device = ?1 AND kind = ?2`, series.Device, string(series.Kind))
	if err != nil {
		return id, h, late, ok, err
	}
	h.At = time.UnixMilli(at).UTC()
	if ms != nil && seq != nil {
		late = Late{At: time.UnixMilli(*ms).UTC(), Seq: *seq}
	}
	h.State, err = unpack(h.State)
	return id, h, late, ok, s.wrap(err)
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
	ok, err = s.one([]any{&c.Day, &c.State}, "SELECT day, state FROM checkpoint WHERE series = ? AND day <= ? ORDER BY day DESC LIMIT 1", id, int64(day))
	if err != nil {
		return c, ok, err
	}
	c.State, err = unpack(c.State)
	return c, ok, s.wrap(err)
}

// Parts gives the parts of a series for the days first to last, both included,
// that were emitted before a day, in the order of Emitted, then Day.
func (s *Snapshot) Parts(id int64, first, last, emittedBefore civil.Date) ([]Part, error) {
	if list, ok := s.memo.partsOf(id, first, last, emittedBefore); ok {
		return list, nil
	}
	// Nothing is emitted before its day.
	list, err := s.parts("SELECT emitted, day, amount, seen_ms, known_ms, flags FROM part WHERE series = ? AND emitted >= ? AND emitted < ? AND day BETWEEN ? AND ? ORDER BY emitted, day",
		id, int64(first), int64(emittedBefore), int64(first), int64(last))
	if err == nil && s.memo != nil {
		s.memo.parts[id] = partsMemo{first, last, emittedBefore, slices.Clone(list)}
	}
	return list, err
}

// PartsEmitted gives the parts that the readings of one day brought, in the
// order of their days.
func (s *Snapshot) PartsEmitted(id int64, day civil.Date) ([]Part, error) {
	if s.memo != nil {
		if list, ok := s.memo.emitted[dayKey{id, day}]; ok {
			return slices.Clone(list), nil
		}
	}
	list, err := s.parts("SELECT emitted, day, amount, seen_ms, known_ms, flags FROM part WHERE series = ? AND emitted = ? ORDER BY day", id, int64(day))
	if err == nil && s.memo != nil {
		s.memo.emitted[dayKey{id, day}] = slices.Clone(list)
	}
	return list, err
}

func (s *Snapshot) parts(text string, args ...any) ([]Part, error) {
	rows, err := s.query(text, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Part
	for rows.Next() {
		var p Part
		var seen, known int64
		if err := rows.Scan(&p.Emitted, &p.Day, &p.Amount, &seen, &known, &p.Flags); err != nil {
			return nil, s.wrap(err)
		}
		p.Seen, p.Known = time.Duration(seen)*time.Millisecond, time.Duration(known)*time.Millisecond
		out = append(out, p)
	}
	return out, s.wrap(rows.Err())
}

// LevelDays gives the last level readings of the days first to last, both
// included, in time order.
func (s *Snapshot) LevelDays(id int64, first, last civil.Date) ([]LevelDay, error) {
	if list, ok := s.memo.levelsOf(id, first, last); ok {
		return list, nil
	}
	list, err := s.levelDays(id, first, last)
	if err == nil && s.memo != nil {
		s.memo.levels[id] = levelsMemo{first, last, slices.Clone(list)}
	}
	return list, err
}

func (s *Snapshot) levelDays(id int64, first, last civil.Date) ([]LevelDay, error) {
	rows, err := s.query("SELECT day, quantity, at, value, flags FROM level_day WHERE series = ? AND day BETWEEN ? AND ? ORDER BY at, quantity", id, int64(first), int64(last))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []LevelDay
	for rows.Next() {
		var l LevelDay
		var at int64
		if err := rows.Scan(&l.Day, &l.Quantity, &at, &l.Value, &l.Flags); err != nil {
			return nil, s.wrap(err)
		}
		l.At = time.UnixMilli(at).UTC()
		out = append(out, l)
	}
	return out, s.wrap(rows.Err())
}

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
