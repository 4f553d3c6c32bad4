package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// Entry is one message, or one entry by a person, as it is to be stored:
// readings and facts, or kept aside.
type Entry struct {
	Readings []reading.Reading
	Facts    []reading.Fact
	Person   bool  // entered by a person: no sign of life of the device
	Kept     *Kept // instead of all above
	// Beside keeps what the message says of devices that are not in the
	// register, where the rest of it is stored.
	Beside []Kept
	// Raw is the message as it came, for the ring of such messages; nil: not
	// to be kept.
	Raw *Raw

	// What was noticed in decoding, to be counted.
	Coerced int  // values and names in another form
	Missing int  // fields without a value
	BadTime bool // the message's own time could not be used
	Ignored int  // values that no mapping takes
	Skipped bool // not wanted at all; nothing else is set
}

// Outcome is what became of an entry.
type Outcome uint8

// The outcomes. All of them are durable.
const (
	Stored    Outcome = iota // at least one new reading or fact
	Duplicate                // nothing that was not known already
	KeptAside                // in the kept-aside ring with its reason
)

// Batch is what is committed together.
type Batch []Entry

// Result is what a commit did.
type Result struct {
	Outcomes []Outcome // one per entry
	Rows     int       // readings and facts written
	Series   []Series  // that have something new
	Devices  []string  // that have something new, sorted
	Facts    bool      // a fact is among it
	Replaced int       // readings that gave way to what their message says now
}

// Series names the readings of a device that are measured together: kind Run,
// Pulse, Dose or Level.
type Series struct {
	Device string
	Kind   reading.Kind
}

// KindOf gives the kind that a quantity belongs to: what stands before the dot.
func KindOf(q reading.Quantity) reading.Kind {
	kind, _, _ := strings.Cut(string(q), ".")
	return reading.Kind(kind)
}

// derived says whether daily figures are derived from a kind.
func derived(k reading.Kind) bool {
	return k == reading.Run || k == reading.Pulse || k == reading.Dose || k == reading.Level
}

// cache is what the writer knows of the file without asking. It describes
// committed rows only.
type cache struct {
	channels map[reading.Channel]int64
	newest   map[Series]int64 // ms; the newest reading of a series
	kept     *ring            // nil: not yet counted
	unknown  int              // devices in the table, -1: not yet counted
	aged     map[Series]int64 // ms; readings before are gone
}

// commit is one transaction under way; what it learns reaches the cache only
// when it has ended well.
type commit struct {
	j        *Journal
	ctx      context.Context
	channels map[reading.Channel]int64
	newest   map[Series]int64 // as of before this commit
	top      map[Series]int64 // newest of this commit
	touched  map[Series]int64 // earliest late reading
	series   map[Series]struct{}
	devices  map[string]struct{}
	counts   map[string]int64
	ring     *ring
	unknown  int
	rows     int
	facts    bool
	raws     []Raw // for the raw ring
	rawDone  bool  // a block of it was written
	again    *again
	replaced int
}

// Commit stores a batch in one transaction. When it returns without an error
// all of it is on disk; with an error nothing of it is. An error that wraps
// ErrUnwritable may pass: the same batch can be tried again.
func (j *Journal) Commit(ctx context.Context, b Batch) (Result, error) {
	return j.commit(ctx, b, nil)
}

func (j *Journal) commit(ctx context.Context, b Batch, again *again) (Result, error) {
	if err := ctx.Err(); err != nil {
		return Result{}, err
	}
	release, err := j.hold()
	if err != nil {
		return Result{}, fmt.Errorf("commit %d messages: %w", len(b), err)
	}
	defer release()
	// A commit under way is never given up: it is short, and a half-cancelled
	// one would leave its messages without an answer.
	ctx = context.WithoutCancel(ctx)
	c := &commit{
		j: j, ctx: ctx, channels: map[reading.Channel]int64{}, newest: map[Series]int64{}, top: map[Series]int64{},
		touched: map[Series]int64{}, series: map[Series]struct{}{}, devices: map[string]struct{}{}, counts: map[string]int64{},
		unknown: j.known.unknown, again: again,
	}
	out := Result{Outcomes: make([]Outcome, len(b))}
	err = inTx(ctx, j.w, func() error {
		for i := range b {
			o, err := c.entry(i, &b[i])
			if err != nil {
				return err
			}
			out.Outcomes[i] = o
		}
		return c.finish()
	})
	if c.rawDone {
		j.rawSettled(err)
	}
	out.Replaced = c.replaced
	if errors.Is(err, errTrial) {
		j.known.kept = nil
		return out, nil
	}
	if err != nil {
		j.known.kept = nil // count anew: the transaction's changes are gone
		if full(err) {
			j.reserve.giveUp()
		}
		if err = fault(j.path, err); errors.Is(err, ErrDamaged) {
			j.condemn(err) // the writer cannot go on, whatever others can read
		}
		return Result{}, fmt.Errorf("commit %d messages: %w", len(b), err)
	}
	j.reserve.takeBack()
	c.learn()
	out.Rows, out.Facts = c.rows, c.facts
	for s := range c.series {
		out.Series = append(out.Series, s)
	}
	for d := range c.devices {
		out.Devices = append(out.Devices, d)
	}
	slices.Sort(out.Devices)
	return out, nil
}

var errClosed = errors.New("journal is closed")

// entry stores one entry.
func (c *commit) entry(i int, e *Entry) (Outcome, error) {
	if c.again != nil {
		return c.rerun(i, e)
	}
	c.counts[CountReceived]++
	c.note(CountCoerced, e.Coerced)
	c.note(CountMissing, e.Missing)
	if e.BadTime {
		c.note(CountBadTime, 1)
	}
	c.note(CountIgnored, e.Ignored)
	if e.Skipped {
		c.note(CountSkipped, 1)
		return Duplicate, nil
	}
	for i := range e.Beside {
		if err := c.keep(&e.Beside[i]); err != nil {
			return 0, err
		}
	}
	if e.Kept != nil {
		if err := c.keep(e.Kept); err != nil {
			return 0, err
		}
		return KeptAside, nil
	}
	o, err := c.take(e, e.Raw)
	switch o {
	case Stored:
		c.counts[CountStored]++
	case Duplicate:
		c.counts[CountDuplicates]++
	}
	return o, err
}

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

// note counts, and makes no counter of nothing.
func (c *commit) note(name string, n int) {
	if n > 0 {
		c.counts[name] += int64(n)
	}
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

// finish writes what belongs to the batch as a whole.
func (c *commit) finish() error {
	for s, at := range c.touched {
		if _, err := c.j.stmts[stmtTouched].ExecContext(c.ctx, s.Device, string(s.Kind), at); err != nil {
			return fmt.Errorf("note late readings of %s: %w", s.Device, err)
		}
	}
	c.counts[CountCommits]++
	c.counts[CountRows] += int64(c.rows)
	if err := c.bound(); err != nil {
		return err
	}
	if c.again != nil {
		if err := c.again.finish(c); err != nil {
			return err
		}
	}
	if c.j.raw.due() {
		c.rawDone = true
		if err := c.j.writeRaw(c.ctx); err != nil {
			return err
		}
	}
	return c.j.inPlace()
}

// inPlace says that the file is still the one under the journal's name. One
// that was deleted or replaced can be written on and on, and all of it is gone
// when the process ends: nothing of that may be acknowledged.
func (j *Journal) inPlace() error {
	now, err := os.Stat(j.path)
	if err == nil && os.SameFile(now, j.file) {
		return nil
	}
	return fmt.Errorf("%w: %s was deleted, moved or replaced while in use", ErrGone, j.path)
}

// learn takes over what the commit found out, now that it is true.
func (c *commit) learn() {
	k := &c.j.known
	for ch, id := range c.channels {
		k.channels[ch] = id
		c.j.noteChannel(ch, id)
	}
	for s, at := range c.newest {
		k.newest[s] = at
	}
	for s, at := range c.top {
		if at > k.newest[s] {
			k.newest[s] = at
		}
	}
	k.unknown = c.unknown
	c.j.raw.gather(c.raws)
	c.j.counting.Lock()
	defer c.j.counting.Unlock()
	for name, n := range c.counts {
		c.j.count[name] += n
		c.j.total[name] += n
	}
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
