package collector

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// tally adds up what was counted in [from, to). However much of it is saved
// and however much is folded anew, the same numbers are added in the same
// order, so that the sum is the same to the last bit.
type tally struct {
	from, to time.Time
	edge     time.Time  // end of the day that from cuts; from where it cuts none
	whole    civil.Date // the first day that is not cut

	value       float64
	seen, known time.Duration
	flags       reading.Flags

	cut     float64 // sum of the cut day for one emitting day
	emitted civil.Date
}

func newTally(from, to time.Time, loc *time.Location) *tally {
	t := &tally{from: from, to: to, edge: from, whole: civil.Of(from, loc)}
	if !from.Equal(t.whole.Start(loc)) {
		t.edge = t.whole.End(loc)
		t.whole++
	}
	return t
}

// interval books what an interval has in the cut day.
func (t *tally) interval(emitted civil.Date, iv meter.Interval) {
	if emitted != t.emitted {
		t.settle()
		t.emitted = emitted
	}
	t.cut += t.share(iv, t.edge)
}

// settle adds the cut day's sum of one emitting day.
func (t *tally) settle() {
	t.value += t.cut
	t.cut = 0
}

// parts books whole days.
func (t *tally) parts(parts []journal.Part) {
	for _, p := range parts {
		if p.Day < t.whole {
			continue
		}
		t.value += p.Amount
		t.seen += p.Seen
		t.known += p.Known
		t.flags |= p.Flags
	}
}

// share gives what an interval has in [from, to), cut off at end, and books
// all of it but the amount.
func (t *tally) share(iv meter.Interval, end time.Time) float64 {
	if t.to.Before(end) {
		end = t.to
	}
	length := iv.To.Sub(iv.From)
	if length <= 0 { // an event without extent
		if iv.To.Before(t.from) || !iv.To.Before(end) {
			return 0
		}
		t.flags |= iv.Flags
		return iv.Amount
	}
	a, b := iv.From, iv.To
	if a.Before(t.from) {
		a = t.from
	}
	if b.After(end) {
		b = end
	}
	part := b.Sub(a)
	if part <= 0 {
		return 0
	}
	if iv.Seen {
		t.seen += part
	}
	if iv.Known || iv.Seen {
		t.known += part
	}
	t.flags |= iv.Flags
	if part == length {
		return iv.Amount
	}
	return iv.Amount * (float64(part) / float64(length))
}

// Amount gives what was counted between two instants, exact to the reporting
// interval at both ends. Readings after to do not count, nor does an event
// without extent at to itself: like a civil day, the stretch ends before it.
func (h *History) Amount(ctx context.Context, device string, kind reading.Kind, from, to time.Time) (reading.Amount, error) {
	r, ok := recipeFor(h.site(), journal.Series{Device: device, Kind: kind})
	asked := to.Sub(from)
	to = h.bound(to)
	if !ok || r.level || !from.Before(to) {
		return reading.Amount{}, nil
	}
	h.needs.note(device, from)
	s, err := h.snapshot(ctx, device)
	if err != nil {
		return reading.Amount{}, err
	}
	defer s.Close()
	x, fixed, err := settled(s.Snapshot, r, from, to)
	fixed = fixed && asked == to.Sub(from)
	if err != nil {
		return reading.Amount{}, err
	}
	key := cutKey{r.Series, from.UnixMilli(), to.UnixMilli()}
	if fixed {
		if a, ok := h.cuts.get(key, x.Edition); ok {
			return a, nil
		}
		if a, ok, err := s.Cut(&x, from, to); ok || err != nil {
			return a, err
		}
	}
	a, err := amount(s.Snapshot, r, from, to, asked, nil)
	if unreadable(err) {
		h.tell(r, err)
		whole, err := anew(s.Snapshot, r, 0, nil)
		if err != nil {
			return reading.Amount{}, err
		}
		return amount(s.Snapshot, r, from, to, asked, &whole)
	}
	if fixed && err == nil {
		h.cuts.put(key, x.Edition, a)
	}
	return a, err
}

// settled says that what was counted in a stretch of at most a day changes only
// if the series is derived anew: all readings up to its end are derived.
func settled(s *journal.Snapshot, r recipe, from, to time.Time) (x journal.Saved, ok bool, err error) {
	const day = 25 * time.Hour // the longest there are
	if to.Sub(from) > day || !from.Truncate(time.Millisecond).Equal(from) || !to.Truncate(time.Millisecond).Equal(to) {
		return x, false, nil
	}
	x, ok, err = s.Head(r.Series)
	return x, ok && err == nil && x.Rules == r.mark && !x.At.Before(to) && (x.Late.Seq == 0 || x.Late.At.After(to)), err
}

// amount counts from what is saved, or from a given base.
func amount(s *journal.Snapshot, r recipe, from, to time.Time, asked time.Duration, given *base) (reading.Amount, error) {
	t := newTally(from, to, r.loc)
	var b base
	var err error
	if given != nil {
		b = *given
	} else {
		b, err = savedBase(s, r, to, true)
	}
	// Where the last fold ended is a good place to go on from, unless what its
	// day brought has to be cut at one of the ends.
	if err == nil && b.head && (!b.after.Before(to) || t.edge.After(from) && slices.ContainsFunc(b.parts, func(p journal.Part) bool { return p.Day < t.whole && p.Day >= t.whole-1 })) {
		b, err = savedBase(s, r, to, false)
	}
	if err != nil {
		return reading.Amount{}, err
	}
	var saved []journal.Part
	day := civil.Of(from, r.loc)
	if b.stored {
		if saved, err = s.Parts(&b.saved, day, b.before); err != nil {
			return reading.Amount{}, err
		}
		for _, p := range saved {
			if p.Day >= day && p.Day < t.whole { // the day that from cuts: fold anew what brought something for it
				if err := cut(s, r, b, t, p); err != nil {
					return reading.Amount{}, err
				}
			}
		}
	}
	f, err := run(s, r, b, to, t.interval)
	if err != nil {
		return reading.Amount{}, err
	}
	if b.gone { // of the day that to cuts, too, its share
		last, err := s.Parts(&b.saved, b.before, b.before+1)
		if err != nil {
			return reading.Amount{}, err
		}
		for i, p := range last {
			switch {
			case p.Day >= t.whole && p.Day < b.before:
				t.parts(last[i : i+1])
			case p.Day >= day:
				t.portion(p, r.loc)
			}
		}
	}
	t.settle()
	t.parts(saved)
	// A day's fold books the days as it comes to them, which may be backwards;
	// what is saved has them in order.
	slices.SortStableFunc(f.parts, func(a, b journal.Part) int {
		return cmp.Or(cmp.Compare(a.Emitted, b.Emitted), cmp.Compare(a.Day, b.Day))
	})
	t.parts(f.parts)
	if r.group == meter.Run && !b.gone { // of others nothing waits for what comes next
		m, err := f.fold(r)
		if err != nil {
			return reading.Amount{}, err
		}
		for _, iv := range m.Flush(to) {
			t.value += t.share(iv, to)
		}
	}
	if f.meter != nil {
		meters.Put(f.meter)
	}
	return reading.Amount{Value: t.value, Seen: portion(t.seen, asked), Known: portion(t.known, asked), Flags: t.flags}, nil
}

// portion books a day's part by the share of the day that lies in the stretch:
// the readings that would tell more are gone.
func (t *tally) portion(p journal.Part, loc *time.Location) {
	begin, end := p.Day.Start(loc), p.Day.End(loc)
	length := end.Sub(begin)
	if t.from.After(begin) {
		begin = t.from
	}
	if t.to.Before(end) {
		end = t.to
	}
	if end.Before(begin) {
		return
	}
	share := float64(end.Sub(begin)) / float64(length)
	t.value += share * p.Amount
	t.seen += time.Duration(share * float64(p.Seen))
	t.known += time.Duration(share * float64(p.Known))
	t.flags |= p.Flags | reading.Gap
}

// cut books what the readings of one complete day brought to the day that from
// cuts.
func cut(s *journal.Snapshot, r recipe, b base, t *tally, part journal.Part) error {
	emitted := part.Emitted
	aged, ok, err := s.Aged(r.Series)
	if err != nil && !unreadable(err) {
		return err
	}
	if ok && emitted < aged.Day {
		t.portion(part, r.loc)
		return nil
	}
	c := &tally{from: t.from, to: t.to, edge: t.edge, whole: t.whole}
	p, found, err := s.CheckpointAt(b.saved.ID, emitted)
	if err != nil {
		return err
	}
	var again base
	switch {
	case ok && (!found || p.Day < aged.Day): // readings begin with the mark
		if again, _, err = markedBase(s, r, b.saved); err != nil {
			return err
		}
	case !found: // states of long ago are not kept
		again = beginning(r, 0, nil)
	default:
		again = base{before: p.Day, after: p.Day.Start(r.loc).Add(-time.Millisecond)}
		if again.meter, err = resumed(r, p.State); err != nil {
			return err
		}
	}
	_, err = run(s, r, again, emitted.End(r.loc).Add(-time.Millisecond), func(day civil.Date, iv meter.Interval) {
		if day == emitted {
			c.interval(day, iv)
		}
	})
	if err != nil {
		return err
	}
	c.settle()
	t.value += c.value
	t.seen += c.seen
	t.known += c.known
	t.flags |= c.flags
	return nil
}

// cuts remembers what had to be folded for stretches that cut a day: each pass
// asks for the same ones, such as the rest of the day of a change. An intake
// saves them, see [History.Mends].
type cuts struct {
	mu    sync.Mutex
	m     map[cutKey]cutAmount
	fresh []journal.Cut // not saved yet; nil where nobody saves
	saved bool          // somebody does
}

type cutKey struct {
	series       journal.Series
	since, until int64 // ms
}

type cutAmount struct {
	reading.Amount
	edition int64
}

// cutsMost bounds what is remembered.
const cutsMost = 50_000

func (c *cuts) get(k cutKey, edition int64) (reading.Amount, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	a, ok := c.m[k]
	return a.Amount, ok && a.edition == edition
}

func (c *cuts) put(k cutKey, edition int64, a reading.Amount) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.m == nil || len(c.m) >= cutsMost {
		c.m = map[cutKey]cutAmount{}
	}
	c.m[k] = cutAmount{a, edition}
	if c.saved && len(c.fresh) < 4*cutsMost { // the rest at the next pass
		c.fresh = append(c.fresh, journal.Cut{Series: k.series, Since: time.UnixMilli(k.since), Until: time.UnixMilli(k.until), Amount: a, Edition: edition})
	}
}

// take gives what is to be saved.
func (c *cuts) take() []journal.Cut {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	out := c.fresh
	c.fresh = nil
	return out
}

// save has somebody take what is to be saved.
func (c *cuts) save() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.saved = true
}
