package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

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

// names gives the channels by their numbers.
func (k *cache) names() map[int64]reading.Channel {
	out := make(map[int64]reading.Channel, len(k.channels))
	for ch, id := range k.channels {
		out[id] = ch
	}
	return out
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
	news     news // for the receiver
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
		if again != nil && again.over != nil {
			if err := again.over.do(c); err != nil {
				return err
			}
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

// note counts, and makes no counter of nothing.
func (c *commit) note(name string, n int) {
	if n > 0 {
		c.counts[name] += int64(n)
	}
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
	if err := c.news.write(c.ctx, c.j); err != nil {
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
	if c.j.fwd != nil {
		c.j.fwd.learn(&c.news)
	}
	c.j.raw.gather(c.raws)
	c.j.countMore(c.counts)
}
