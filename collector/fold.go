package collector

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/collector/suspicion"
	"dwindle/config"
	"dwindle/config/civil"
)

// foldVersion is part of every fingerprint: raise it when the rules of the
// meter change, and all daily figures are derived anew.
const foldVersion = 4

// recipe is what has to be known to fold one series.
type recipe struct {
	journal.Series
	level bool // the last level of each day instead of a meter
	group meter.Group
	rules meter.Rules
	loc   *time.Location
	heard []string // devices whose status says whether this one can be reached: its own, its gateway's
	mark  string   // fingerprint
}

// recipeFor gives the recipe of a series under a site file; ok is false for
// kinds that have no daily figures.
func recipeFor(site *config.Site, s journal.Series) (r recipe, ok bool) {
	r = recipe{Series: s, loc: site.Location()}
	switch s.Kind {
	case reading.Run:
		r.group = meter.Run
		if m := site.Machine(s.Device); m != nil {
			r.rules.Every = m.Every
		}
	case reading.Pulse, reading.Dose:
		r.group = meter.Pulse
		d := site.Dispenser(s.Device)
		if d != nil {
			r.rules.Every = d.Every
		}
		if s.Kind == reading.Dose {
			r.group = meter.Dose
			if d != nil {
				if m := site.Model(d.Model); m != nil {
					r.rules.CM3PerStroke = m.CM3PerStroke
				}
			}
		}
	case reading.Level:
		r.level = true
	default:
		return r, false
	}
	r.mark = fmt.Sprintf("%d %s %s %g", foldVersion, site.Zone, r.rules.Every, r.rules.CM3PerStroke)
	if !r.level {
		r.heard = []string{s.Device}
		if g := site.GatewayOf(s.Device); g != nil {
			r.heard = append(r.heard, g.ID)
			r.mark += " " + g.ID
		}
	}
	return r, true
}

// base is the place that a fold starts from: everything that was emitted
// before the day Before is derived already and stands; readings after After
// are still to be folded in.
type base struct {
	saved  journal.Saved
	stored bool // there is something derived under the same rules
	head   bool
	before civil.Date
	after  time.Time
	meter  *watched       // with the state of the place; nil for levels, and until it is asked for
	parts  []journal.Part // of the day Before itself, where the fold goes on inside it
	seq    int64          // newest note of late readings
	gone   bool           // the readings of then are: only whole days are known

	doubt error // why what is stored was not used, where that is a fault
}

// fold gives the meter with the state of the base. It is made when it is asked
// for: where nothing is to be folded in, as mostly in a pass, it is not needed.
func (b *base) fold(r recipe) (*watched, error) {
	if b.meter != nil {
		return b.meter, nil
	}
	state, err := b.saved.State()
	if err == nil {
		b.meter, err = resumed(r, state)
	}
	return b.meter, err
}

// beginning is where a fold starts that rests on nothing derived.
func beginning(r recipe, seq int64, doubt error) base {
	b := base{before: firstDay, seq: seq, doubt: doubt}
	if !r.level {
		b.meter = newWatched(r)
	}
	return b
}

// unreadable says that derived data cannot be used, while the readings that
// they follow from may be sound.
func unreadable(err error) bool {
	return errors.Is(err, journal.ErrState) || errors.Is(err, meter.ErrState) || errors.Is(err, suspicion.ErrState)
}

// meters are those that whoever is done with one has given back.
var meters = sync.Pool{New: func() any { return &watched{} }}

// resumed gives a meter that goes on from a saved state.
func resumed(r recipe, state []byte) (*watched, error) {
	m := meters.Get().(*watched)
	m.Reset(r.group, r.rules)
	if len(state) == 0 {
		return m, nil
	}
	if err := m.Restore(state); err != nil {
		return nil, fmt.Errorf("resume %s of %s: %w", r.Kind, r.Device, err)
	}
	return m, nil
}

const (
	firstDay civil.Date = math.MinInt32
	lastDay  civil.Date = math.MaxInt32
)

// endOfTime is later than all readings.
var endOfTime = time.UnixMilli(math.MaxInt64 / 4).UTC()

// baseFor gives the base for all that there is, with its meter. What is saved
// and cannot be read is passed over: it follows from the readings.
func baseFor(s *journal.Snapshot, r recipe) (base, error) {
	b, err := savedBase(s, r, endOfTime, true)
	if err == nil && !r.level {
		_, err = b.fold(r)
	}
	if unreadable(err) {
		seq, noted := s.LastNote(r.Series)
		if noted != nil {
			return base{}, noted
		}
		return anew(s, r, seq, err)
	}
	return b, err
}

// savedBase finds the latest start from which a fold up to an instant is exact:
// where the last one ended, unless late readings lie before it or it ended
// later, then the checkpoint of the day in question, else the beginning.
func savedBase(s *journal.Snapshot, r recipe, to time.Time, useHead bool) (base, error) {
	head, ok, err := s.Head(r.Series)
	if err != nil {
		return base{}, err
	}
	late := head.Late
	touched := late.Seq != 0
	if !ok {
		seq, err := s.LastNote(r.Series)
		return beginning(r, seq, nil), err
	}
	if head.Rules != r.mark {
		if b, ok, err := markedBase(s, r, head); ok || err != nil {
			return b, err
		}
		return beginning(r, late.Seq, nil), nil
	}
	b := base{before: firstDay, seq: late.Seq, saved: head}
	if useHead && !head.At.After(to) && (!touched || head.At.Before(late.At)) {
		b.stored, b.head, b.after = true, true, head.At
		b.before = civil.Of(head.At, r.loc)
		if r.level {
			return b, nil
		}
		b.parts, err = s.PartsEmitted(&b.saved, b.before)
		return b, err
	}
	if touched && late.At.Before(to) {
		to = late.At
	}
	if head.At.Before(to) {
		to = head.At
	}
	aged, marked, err := s.Aged(r.Series)
	if err != nil && !unreadable(err) {
		return b, err
	}
	if marked && to.Before(aged.Until) {
		// All of a day, or nothing of it.
		b.stored, b.gone, b.before, b.after = true, true, civil.Of(to.Add(time.Millisecond), r.loc), to
		return b, nil
	}
	day := civil.Of(to, r.loc)
	if !r.level {
		c, ok, err := s.CheckpointAt(head.ID, day)
		if err != nil {
			return b, err
		}
		if marked && (!ok || c.Day < aged.Day) {
			b, _, err = markedBase(s, r, head)
			return b, err
		}
		if !ok {
			b = beginning(r, late.Seq, nil)
			b.saved = head
			return b, nil
		}
		day = c.Day
		if b.meter, err = resumed(r, c.State); err != nil {
			return b, err
		}
	}
	b.stored, b.before, b.after = true, day, day.Start(r.loc).Add(-time.Millisecond)
	return b, nil
}

// markedBase is where a series is folded anew from whose older readings are
// gone: what is derived up to there is the record. ok is false where none are.
func markedBase(s *journal.Snapshot, r recipe, head journal.Saved) (b base, ok bool, err error) {
	aged, ok, err := s.Aged(r.Series)
	if unreadable(err) {
		aged.State, ok = nil, true // a counter's first reading is its base again
	} else if err != nil || !ok {
		return b, false, err
	}
	b = base{stored: true, saved: head, seq: head.Late.Seq, before: aged.Day, after: aged.Until.Add(-time.Millisecond)}
	if r.level {
		return b, true, nil
	}
	if b.meter, err = resumed(r, aged.State); unreadable(err) { // of a fold of another version
		b.meter, err = newWatched(r), nil
	}
	return b, true, err
}

// anew is where a series is folded from that rests on nothing derived, as far
// as that can be done.
func anew(s *journal.Snapshot, r recipe, seq int64, doubt error) (base, error) {
	head, ok, err := s.Head(r.Series)
	if err != nil {
		return base{}, err
	}
	if ok {
		b, ok, err := markedBase(s, r, head)
		if b.doubt = doubt; ok || err != nil {
			b.seq = max(b.seq, seq)
			return b, err
		}
	}
	return beginning(r, seq, doubt), nil
}

// folded is what a fold gave beyond its base.
type folded struct {
	base
	parts  []journal.Part // complete for the days from base.before on
	levels []journal.LevelDay
	checks []journal.Checkpoint
	noted  []suspicion.Change
	last   time.Time // newest reading folded in; zero: none
	count  int
}

// run folds the readings of a series from a base up to an instant. each, if
// set, sees every interval with the day that emitted it.
func run(s *journal.Snapshot, r recipe, b base, to time.Time, each func(emitted civil.Date, iv meter.Interval)) (folded, error) {
	f := folded{base: b}
	days := calendar{loc: r.loc}
	if b.head {
		f.last = b.after
		days.of(b.after)
	}
	if r.level {
		return f, f.runLevels(s, r, to, &days)
	}
	f.parts = b.parts
	var split []meter.DayPart
	// What was said of the device since its last reading. A saved state must hold
	// what lies before its place and nothing that lies after it.
	var said []reading.Reading
	tell := func(before time.Time) {
		n := 0
		for n < len(said) && said[n].At.Before(before) {
			f.meter.online(said[n], said[n].Device != r.Device)
			n++
		}
		said = said[:copy(said, said[n:])]
	}
	err := s.Scan(r.Series, r.heard, b.after, to, func(x reading.Reading) error {
		if x.Quantity == reading.StatusOnline {
			said = append(said, x)
			return nil
		}
		if !r.group.Wants(x.Quantity) {
			return nil
		}
		if f.meter == nil {
			if _, err := f.fold(r); err != nil {
				return err
			}
		}
		day, changed := days.of(x.At)
		if changed {
			tell(days.start)
			f.checks = append(f.checks, journal.Checkpoint{Day: day, State: f.meter.State()})
		}
		tell(x.At.Add(time.Millisecond)) // at the same time, too
		for _, iv := range f.meter.Add(x) {
			if iv.From.Equal(to) { // an event at the very end belongs to what follows
				continue
			}
			if each != nil {
				each(day, iv)
			}
			split = meter.AppendDays(split[:0], iv, r.loc)
			for _, p := range split {
				f.add(day, p, days.length(p.Date))
			}
		}
		f.noted = append(f.noted, f.meter.changes...)
		f.last = x.At
		f.count++
		return nil
	})
	return f, err
}

// add books a part of an interval.
func (f *folded) add(emitted civil.Date, p meter.DayPart, length time.Duration) {
	x := journal.Part{
		Emitted: emitted, Day: p.Date, Amount: p.Amount, Flags: p.Flags,
		Seen: share(p.Seen, length), Known: share(p.Known, length),
	}
	for i := len(f.parts) - 1; i >= 0 && f.parts[i].Emitted == emitted; i-- {
		if q := &f.parts[i]; q.Day == p.Date {
			q.Amount += x.Amount
			q.Seen += x.Seen
			q.Known += x.Known
			q.Flags |= x.Flags
			return
		}
	}
	f.parts = append(f.parts, x)
}

// share gives the part of a day's length, to the millisecond.
func share(x float64, length time.Duration) time.Duration {
	return time.Duration(math.Round(x*float64(length.Milliseconds()))) * time.Millisecond
}

// runLevels finds the last level of each day and quantity.
func (f *folded) runLevels(s *journal.Snapshot, r recipe, to time.Time, days *calendar) error {
	return s.Scan(r.Series, nil, f.after, to, func(x reading.Reading) error {
		f.last = x.At
		f.count++
		if x.Flags&reading.Retained != 0 && !x.FromDevice {
			return nil // nobody knows when it was true
		}
		day, _ := days.of(x.At)
		l := journal.LevelDay{Day: day, Sample: reading.Sample{At: x.At, Quantity: x.Quantity, Value: x.Value, Flags: x.Flags}}
		for i := len(f.levels) - 1; i >= 0 && f.levels[i].Day == day; i-- {
			if f.levels[i].Quantity == x.Quantity {
				f.levels[i] = l
				return nil
			}
		}
		f.levels = append(f.levels, l)
		return nil
	})
}

// calendar gives the civil days of instants in order; it remembers the day it
// is in, because asking the zone for every reading would cost more than the
// fold.
type calendar struct {
	loc        *time.Location
	day        civil.Date
	start, end time.Time
	known      bool
	lengths    map[civil.Date]time.Duration
}

// of gives the day of an instant, and whether it differs from the last one.
func (c *calendar) of(t time.Time) (day civil.Date, changed bool) {
	if c.known && !t.Before(c.start) && t.Before(c.end) {
		return c.day, false
	}
	c.day, c.known = civil.Of(t, c.loc), true
	c.start, c.end = c.day.Start(c.loc), c.day.End(c.loc)
	return c.day, true
}

func (c *calendar) length(day civil.Date) time.Duration {
	if c.known && day == c.day {
		return c.end.Sub(c.start)
	}
	if n, ok := c.lengths[day]; ok {
		return n
	}
	if c.lengths == nil {
		c.lengths = map[civil.Date]time.Duration{}
	}
	n := day.Length(c.loc)
	c.lengths[day] = n
	return n
}

// update turns a fold into what is to be saved; ok is false if nothing is new.
func (f *folded) update(r recipe) (u journal.Update, ok bool, err error) {
	if f.seq == 0 && (f.last.IsZero() || f.count == 0 && f.stored) {
		return u, false, nil
	}
	if f.last.IsZero() { // readings were taken back, and none are left from the base on
		f.last = f.after
	}
	u = journal.Update{
		Series: r.Series, Whole: !f.stored, Parts: f.parts, Checkpoints: f.checks, Levels: f.levels, Seq: f.seq,
		Head: journal.Head{At: f.last, Rules: r.mark},
	}
	if f.stored && !f.head {
		u.From, u.Since = f.before, f.after.Add(time.Millisecond)
	}
	if f.meter != nil {
		u.State = f.meter.State()
		u.Notices, err = notices(r, f.noted)
	}
	return u, err == nil, err
}
