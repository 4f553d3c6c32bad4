package collector

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/meter"
	"dwindle/collector/suspicion"
	"dwindle/config/civil"
)

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
