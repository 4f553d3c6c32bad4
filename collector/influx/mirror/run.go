package mirror

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// Bounds of a run: proposals.
const (
	// deepEvery is how often the last stretch of each channel and all facts are
	// read again, should the feed have missed something; deepStretch is how long
	// that stretch is.
	deepEvery   = time.Hour
	deepStretch = 65 * time.Minute
	// keepsSlack is how much earlier than said the database may seem to forget, by
	// another clock: so much of what it keeps, and no more than a day.
	keepsSlack = 0.1
)

// run is one run under way.
type run struct {
	*Mirror
	lazy   bool
	ctx    context.Context
	began  time.Time
	deep   bool      // the last stretch of each channel and all facts are read again
	oldest time.Time // before, the database may have forgotten
	upto   time.Time // State.Forwarded
	mends  bool      // what may be missing since an instant is read again
	since  time.Time // that instant; zero: all

	pending journal.Copied // to be committed
	waiting int            // readings in it

	devices, behind int
	out             Synced
}

func (r *run) all() error {
	// Asked first: what had been written by then is all read after it.
	var err error
	if r.upto, err = r.opt.Source.Forwarded(r.ctx); err != nil {
		return fmt.Errorf("ask how far the gateway has forwarded: %w", err)
	}
	deep, err := noted(r.ctx, r.opt.Journal, noteDeep)
	if err != nil {
		return err
	}
	r.deep = deep.IsZero() || r.began.Sub(deep) >= deepEvery || r.began.Before(deep)
	if err := r.behindSince(); err != nil {
		return err
	}
	if r.deep || r.keeps < 0 {
		keeps, err := r.opt.Source.Keeps(r.ctx)
		if err != nil {
			return fmt.Errorf("ask how long InfluxDB keeps readings: %w", err)
		}
		r.keeps = keeps
	}
	if r.keeps > 0 {
		r.oldest = r.began.Add(min(24*time.Hour, time.Duration(keepsSlack*float64(r.keeps))) - r.keeps)
	}
	feed, err := noted(r.ctx, r.opt.Journal, noteLate)
	if err != nil {
		return err
	}
	if feed.IsZero() {
		// What the feed says up to here is in what is read after it.
		if feed, err = r.opt.Source.LateEnd(r.ctx); err != nil {
			return fmt.Errorf("read the change feed: %w", err)
		}
		if feed.IsZero() {
			feed = time.Unix(0, 0)
		}
		feed = earliest(feed, r.began)
		r.remember(noteLate, note(feed))
		if err := r.flush(); err != nil {
			return err
		}
	}
	// The clock of a gateway may have been ahead, and what was dated then would hide
	// what is dated now: the copy had all when a run began that brought all.
	if complete, err := noted(r.ctx, r.opt.Journal, noteComplete); err != nil {
		return err
	} else if !complete.IsZero() {
		feed = earliest(feed, complete)
	}
	var errs []error
	for _, step := range []func() error{
		func() error { return r.late(feed) },
		r.newer,
		r.facts,
		r.calibrations,
	} {
		if err := step(); err != nil {
			errs = append(errs, err)
			r.pending, r.waiting = journal.Copied{}, 0
			if r.ctx.Err() != nil {
				break
			}
		}
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	r.remember(noteComplete, note(r.began))
	r.remember(noteUpto, note(r.upto))
	if r.upto.IsZero() {
		r.remember(noteUpto, "")
	}
	if r.deep {
		r.remember(noteDeep, note(r.began))
	}
	if r.mends {
		r.remember(noteBehind, "")
	}
	return r.flush()
}

// behindSince finds from when on something may be missing in the copy. While a
// gateway sends what waited for long, one request of it may reach over many parts
// of the database, of which a later one can be written before an earlier one: then
// the copy has the end of a channel and not all before it. So from where the gateway
// stood then, all is read again once it has sent the whole.
func (r *run) behindSince() error {
	text, err := r.opt.Journal.Noted(r.ctx, noteBehind)
	if err != nil {
		return err
	}
	switch behind := r.upto.IsZero() || (State{Complete: r.began, Forwarded: r.upto}).Late(r.opt.Gathers); {
	case behind && text == "":
		r.remember(noteBehind, note(r.upto))
		return r.flush()
	case !behind && text != "":
		if r.since, err = time.Parse(time.RFC3339Nano, text); err != nil {
			r.since = time.Time{} // all, then
		}
		r.mends, r.deep = true, true
	}
	return nil
}

// again gives from when on a channel is read again.
func (r *run) again(have time.Time) time.Time {
	switch {
	case r.mends && r.since.IsZero():
		return time.Time{}
	case r.mends:
		have = earliest(have, r.since)
	}
	return have.Add(-deepStretch)
}

// remember notes something with what is pending.
func (r *run) remember(name, text string) {
	if r.pending.Notes == nil {
		r.pending.Notes = map[string]string{}
	}
	r.pending.Notes[name] = text
}

// flush commits what is pending.
func (r *run) flush() error {
	x := r.pending
	r.pending, r.waiting = journal.Copied{}, 0
	if len(x.Stretches)+len(x.Facts)+len(x.Notes) == 0 {
		return nil
	}
	result, err := r.opt.Commit(r.ctx, x)
	if err != nil {
		return fmt.Errorf("write the working copy: %w", err)
	}
	r.out.Rows += result.Rows
	return nil
}

// add takes a stretch, whole, to what is pending.
func (r *run) add(s journal.Stretch) error {
	r.waiting += len(s.Readings)
	if s.After.Before(r.oldest) { // of then the database may have forgotten some
		old, all := s, s.Readings
		old.To, old.Partly = earliest(s.To, r.oldest), true
		s.After = old.To
		old.Readings, s.Readings = nil, nil
		for _, x := range all {
			if x.At.After(old.To) {
				s.Readings = append(s.Readings, x)
			} else {
				old.Readings = append(old.Readings, x)
			}
		}
		r.pending.Stretches = append(r.pending.Stretches, old)
	}
	if s.After.Before(s.To) {
		r.pending.Stretches = append(r.pending.Stretches, s)
	}
	if r.waiting >= r.rows || len(r.pending.Stretches) >= stretchesMost {
		return r.flush()
	}
	return nil
}

// stretchesMost bounds the stretches of one commit: a proposal.
const stretchesMost = 1_000

// fetch reads channels of a device after one instant and up to another, page by
// page, each of which is whole.
func (r *run) fetch(device string, quantities []reading.Quantity, after, to time.Time) error {
	page := journal.Stretch{Device: device, Quantities: quantities, After: after}
	err := r.opt.Source.Readings(r.ctx, device, quantities, after, to, func(x reading.Reading) error {
		r.out.Readings++
		if n := len(page.Readings); n >= r.rows && x.At.After(page.Readings[n-1].At) {
			page.To = page.Readings[n-1].At
			if err := r.add(page); err != nil {
				return err
			}
			page = journal.Stretch{Device: device, Quantities: quantities, After: page.To}
		}
		page.Readings = append(page.Readings, x)
		return nil
	})
	if err != nil {
		return fmt.Errorf("read %s from InfluxDB: %w", device, err)
	}
	page.To = to
	return r.add(page)
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
