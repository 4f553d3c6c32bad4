package journal

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// A journal may be a working copy of another one: everything in it follows from
// what that one holds, and is taken over as it stands there. Nothing is vetted,
// settled or counted a second time.

// Stretch is all that the journal which is copied has of a device's channels in
// a stretch of time.
type Stretch struct {
	Device     string
	Quantities []reading.Quantity // nil: all
	After, To  time.Time          // After is not in it, To is; zero After: from the beginning
	Readings   []reading.Reading  // each in the stretch
	// Partly says that there may be more than is given: what is there and not given
	// stays.
	Partly bool
}

// Copied is what a working copy takes over in one commit.
type Copied struct {
	Stretches []Stretch
	Facts     []reading.StoredFact
	// Notes are texts under names, to be remembered with it; see Noted.
	Notes map[string]string
}

// TakeOver makes the journal hold, in the given stretches, exactly the given
// readings, and the given facts: a reading that is there and not given goes, what differs
// is overwritten, and what is the same stays untouched. Daily figures follow.
// All of it is on disk when it returns without an error, else nothing.
//
// Where readings of a series have aged (see Age), what is given of before is
// passed over.
func (j *Journal) TakeOver(ctx context.Context, x Copied) (Result, error) {
	return j.commit(ctx, nil, &again{over: &x})
}

// do is part of the transaction.
func (x *Copied) do(c *commit) error {
	if c.j.fwd != nil { // it would have to tell the receiver of all that it changes
		return fmt.Errorf("%w: %s is forwarded to %s, and takes nothing over from another journal", ErrRefused, c.j.path, c.j.fwd.target)
	}
	for i := range x.Stretches {
		if err := c.stretch(&x.Stretches[i]); err != nil {
			return err
		}
	}
	for i := range x.Facts {
		if err := c.takeFact(&x.Facts[i]); err != nil {
			return err
		}
	}
	for name, text := range x.Notes {
		if err := c.j.setMeta(c.ctx, notedPrefix+name, text); err != nil {
			return fmt.Errorf("remember %s: %w", name, err)
		}
	}
	return nil
}

// stretch makes one stretch what it is given as.
func (c *commit) stretch(s *Stretch) error {
	given := map[reading.Quantity][]*reading.Reading{}
	for i := range s.Readings {
		r := &s.Readings[i]
		switch {
		case r.Device != s.Device || s.Quantities != nil && !slices.Contains(s.Quantities, r.Quantity):
			return fmt.Errorf("%w: %s of %s is none of what is taken over of %s", ErrRefused, r.Quantity, r.Device, s.Device)
		case millis(s.After) >= r.At.UnixMilli() || r.At.After(s.To):
			return fmt.Errorf("%w: %s of %s of %s lies outside of the stretch that is taken over", ErrRefused, r.Quantity, r.Device, r.At.UTC().Format(time.RFC3339Nano))
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			return fmt.Errorf("%w: %s of %s of %s is no number", ErrRefused, r.Quantity, r.Device, r.At.UTC().Format(time.RFC3339Nano))
		}
		given[r.Quantity] = append(given[r.Quantity], r)
	}
	known, _ := c.j.channelsOf(s.Device)
	quantities := slices.Clone(s.Quantities)
	if s.Quantities == nil {
		for _, ch := range known {
			quantities = append(quantities, ch.quantity)
		}
		for q := range given {
			quantities = append(quantities, q)
		}
	}
	slices.Sort(quantities)
	for _, q := range slices.Compact(quantities) {
		if err := c.channelStretch(reading.Channel{Device: s.Device, Quantity: q}, millis(s.After), s.To.UnixMilli(), given[q], s.Partly); err != nil {
			return err
		}
	}
	return nil
}

// heldRow is a row of a channel as it lies there.
type heldRow struct {
	at int64
	row
}

// heldKey is what a row of a channel is known by.
type heldKey struct {
	at int64  // of a reading
	id string // of an increment
}

func keyOf(r *reading.Reading) heldKey {
	if r.Quantity == reading.PulseIncrement {
		return heldKey{id: r.Key}
	}
	return heldKey{at: r.At.UnixMilli()}
}

func (c *commit) channelStretch(ch reading.Channel, after, to int64, given []*reading.Reading, partly bool) error {
	series := Series{ch.Device, KindOf(ch.Quantity)}
	if until, ok := c.j.known.aged[series]; ok {
		after = max(after, until-1)
	}
	if len(given) == 0 {
		if known, _ := c.j.channelsOf(ch.Device); !slices.ContainsFunc(known, func(x channelID) bool { return x.quantity == ch.Quantity }) {
			return nil
		}
	}
	id, err := c.channel(ch)
	if err != nil {
		return err
	}
	if derived(series.Kind) { // asked before anything changes
		if _, err := c.newestOf(series); err != nil {
			return err
		}
	}
	held, err := c.held(ch, id, after, to)
	if err != nil {
		return err
	}
	for _, r := range given {
		if r.At.UnixMilli() <= after {
			continue // aged
		}
		key := keyOf(r)
		old, ok := held[key]
		delete(held, key)
		if err := c.put(r, id, old, ok); err != nil {
			return fmt.Errorf("take over %s of %s: %w", ch.Quantity, ch.Device, err)
		}
	}
	if partly {
		return nil
	}
	// Gone. In the order of time, so that the same is done in the same order.
	rest := make([]heldKey, 0, len(held))
	for key := range held {
		rest = append(rest, key)
	}
	slices.SortFunc(rest, func(a, b heldKey) int {
		return cmp.Or(cmp.Compare(held[a].at, held[b].at), strings.Compare(a.id, b.id))
	})
	for _, key := range rest {
		if ch.Quantity == reading.PulseIncrement {
			_, err = c.j.w.ExecContext(c.ctx, "DELETE FROM increment WHERE channel = ? AND id = ?", id, key.id)
		} else {
			_, err = c.j.w.ExecContext(c.ctx, "DELETE FROM reading WHERE channel = ? AND at = ?", id, key.at)
		}
		if err == nil {
			err = c.changed(&reading.Reading{Channel: ch}, held[key].at)
		}
		if err != nil {
			return fmt.Errorf("take %s of %s away: %w", ch.Quantity, ch.Device, err)
		}
	}
	return nil
}

// held gives what a channel has after one instant and up to another.
func (c *commit) held(ch reading.Channel, id, after, to int64) (map[heldKey]heldRow, error) {
	text := "SELECT at, '', value, lag, flags FROM reading WHERE channel = ? AND at > ? AND at <= ?"
	if ch.Quantity == reading.PulseIncrement {
		text = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ? AND at > ? AND at <= ?"
	}
	rows, err := c.j.w.QueryContext(c.ctx, text, id, after, to)
	if err != nil {
		return nil, fmt.Errorf("read back %s of %s: %w", ch.Quantity, ch.Device, err)
	}
	defer rows.Close()
	out := map[heldKey]heldRow{}
	for rows.Next() {
		var x heldRow
		var key heldKey
		if err := rows.Scan(&x.at, &key.id, &x.value, &x.lag, &x.flags); err != nil {
			return nil, fmt.Errorf("read back %s of %s: %w", ch.Quantity, ch.Device, err)
		}
		if ch.Quantity != reading.PulseIncrement {
			key.at = x.at
		}
		out[key] = x
	}
	return out, rows.Err()
}

// put stores a reading as it is; old is what lies at its place within the
// stretch.
func (c *commit) put(r *reading.Reading, id int64, old heldRow, there bool) error {
	at, row := r.At.UnixMilli(), encode(r)
	if there && old.at == at && old.row == row {
		return nil
	}
	earliest := at
	if there {
		earliest = min(earliest, old.at)
	}
	var err error
	if r.Quantity != reading.PulseIncrement {
		_, err = c.j.stmts[stmtReadingPut].ExecContext(c.ctx, id, at, row.value, row.lag, row.flags)
	} else {
		if !there { // it may have been of another time
			was, ok, err := c.rowAt(r.Channel, given{id, at, r.Key})
			if err != nil {
				return err
			}
			if ok {
				earliest = min(earliest, was.At.UnixMilli())
			}
		}
		_, err = c.j.stmts[stmtIncrementPut].ExecContext(c.ctx, id, r.Key, at, row.value, row.lag, row.flags)
	}
	if err != nil {
		return err
	}
	return c.changed(r, earliest)
}

// takeFact stores a fact as it is.
func (c *commit) takeFact(f *reading.StoredFact) error {
	content, err := contentOf(f.Fact)
	if err != nil {
		return fmt.Errorf("%w: fact of kind %s: %w", ErrRefused, f.Kind, err)
	}
	body, err := json.Marshal(f.Fact)
	if err != nil {
		return fmt.Errorf("%w: fact %s: %w", ErrRefused, f.ID, err)
	}
	if f.ID == "" {
		return fmt.Errorf("%w: a fact of kind %s without an id", ErrRefused, f.Kind)
	}
	done, err := c.j.w.ExecContext(c.ctx, `INSERT INTO fact VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET
		kind = excluded.kind, point = excluded.point, device = excluded.device, at = excluded.at, until = excluded.until,
		received = excluded.received, person = excluded.person, content = excluded.content, body = excluded.body
		WHERE until <> excluded.until OR person <> excluded.person OR body <> excluded.body`,
		f.ID, string(f.Kind), f.Point, f.Device, f.At.UnixMilli(), max(f.At.UnixMilli(), f.Until.UnixMilli()), f.Received.UnixMilli(), f.Person, content, string(body))
	if err != nil {
		return fmt.Errorf("take over fact %s: %w", f.ID, err)
	}
	n, err := done.RowsAffected()
	if err != nil || n == 0 {
		return err
	}
	c.rows++
	c.facts = true
	if f.Device != "" {
		c.devices[f.Device] = struct{}{}
	}
	return nil
}

// notedPrefix is before the names of notes among all that is remembered.
const notedPrefix = "copy "

// Noted gives what was remembered with take-overs under a name; empty: nothing.
func (j *Journal) Noted(ctx context.Context, name string) (text string, err error) {
	if text, err = metaOf(ctx, j.reader, notedPrefix+name); err != nil {
		return "", fmt.Errorf("read %s in %s: %w", name, j.path, j.fault(err))
	}
	return text, nil
}

// Empty says that nothing was ever stored: no reading and no fact.
func (j *Journal) Empty(ctx context.Context) (empty bool, err error) {
	err = j.reader.QueryRowContext(ctx, "SELECT NOT EXISTS (SELECT 1 FROM channel) AND NOT EXISTS (SELECT 1 FROM fact)").Scan(&empty)
	if err != nil {
		return false, fmt.Errorf("look into %s: %w", j.path, j.fault(err))
	}
	return empty, nil
}

// Ends gives the time of the newest reading of each channel of some devices,
// replays by the broker with them.
func (j *Journal) Ends(ctx context.Context, devices []string) (map[reading.Channel]time.Time, error) {
	out := map[reading.Channel]time.Time{}
	for some := range slices.Chunk(devices, fetchAtOnce) {
		rows, err := j.reader.QueryContext(ctx, `SELECT device, quantity, coalesce(
			(SELECT at FROM reading WHERE reading.channel = channel.id ORDER BY at DESC LIMIT 1),
			(SELECT max(at) FROM increment WHERE increment.channel = channel.id)) FROM channel WHERE device`+among, filled(some)...)
		if err != nil {
			return nil, fmt.Errorf("read the newest readings of %s: %w", j.path, j.fault(err))
		}
		defer rows.Close()
		for rows.Next() {
			var ch reading.Channel
			var at *int64
			if err := rows.Scan(&ch.Device, &ch.Quantity, &at); err != nil {
				return nil, fmt.Errorf("read the newest readings of %s: %w", j.path, j.fault(err))
			}
			if at != nil {
				out[ch] = time.UnixMilli(*at).UTC()
			}
		}
		if err := rows.Err(); err != nil {
			return nil, fmt.Errorf("read the newest readings of %s: %w", j.path, j.fault(err))
		}
	}
	return out, nil
}

// StoredFacts hands all facts to fn as they are stored, corrected and repeated
// ones too, in the order of their ids.
func (j *Journal) StoredFacts(ctx context.Context, fn func(reading.StoredFact) error) error {
	rows, err := j.reader.QueryContext(ctx, "SELECT until, person, body FROM fact ORDER BY id")
	if err != nil {
		return fmt.Errorf("read the facts of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	for rows.Next() {
		var f reading.StoredFact
		var until int64
		var body []byte
		err := rows.Scan(&until, &f.Person, &body)
		if err == nil {
			err = json.Unmarshal(body, &f.Fact)
		}
		if err != nil {
			return fmt.Errorf("read the facts of %s: %w", j.path, j.fault(err))
		}
		f.Until = time.UnixMilli(until).UTC()
		if err := fn(f); err != nil {
			return err
		}
	}
	return rows.Err()
}
