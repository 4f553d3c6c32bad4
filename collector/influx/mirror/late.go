package mirror

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"dwindle/collector/reading"
)

// Bounds of the change feed: proposals.
const (
	// feedOverlap is how far back the change feed is read again: an entry may
	// be there a moment before what it is about.
	feedOverlap = 10 * time.Minute
	// feedAhead is how far ahead of our clock an entry may be dated to count: one
	// of a clock that is years ahead would be read again with every run.
	feedAhead = 24 * time.Hour
)

// late reads again what the change feed names, from a place on: so many entries at
// a time, since a copy may have been left alone for months.
func (r *run) late(since time.Time) error {
	from := since.Add(-feedOverlap)
	for {
		list, more, err := r.entries(from)
		if err != nil {
			return fmt.Errorf("read the change feed: %w", err)
		}
		r.out.Changes += len(list)
		end := since
		if len(list) > 0 {
			end = latest(end, list[len(list)-1].At)
		}
		if err := r.changes(list, end.After(since), end); err != nil || !more {
			return err
		}
		from, since = list[len(list)-1].At.Add(time.Nanosecond), end
	}
}

// entriesMost is how many entries of the change feed are dealt with at a time, but
// for those of one instant: a proposal.
const entriesMost = 20_000

var errEnough = errors.New("enough for now")

// entries gives what the change feed has from an instant on; more, that there may
// be others behind.
func (r *run) entries(from time.Time) (list []Change, more bool, err error) {
	err = r.opt.Source.Late(r.ctx, from, func(c Change) error {
		if c.At.After(r.began.Add(feedAhead)) {
			return nil // told again once that clock is put right: all that came by it moves
		}
		if n := len(list); n >= r.entriesMost && c.At.After(list[n-1].At) {
			return errEnough
		}
		list = append(list, c)
		return nil
	})
	if errors.Is(err, errEnough) {
		return list, true, nil
	}
	return list, false, err
}

// changes reads again what entries name, and notes the place behind them.
func (r *run) changes(list []Change, further bool, end time.Time) error {
	facts, err := r.factsDue()
	if err != nil {
		return err
	}
	short := 0
	for _, c := range merged(list) {
		switch {
		case c.Quantity != "":
			err = r.change(c)
		case c.To.Sub(c.From) <= factsShort && short < factsMost:
			short++
			err = r.factsOf(c.From, c.To)
		default:
			facts = facts.and(stretch{c.From, c.To})
		}
		if err != nil {
			return err
		}
	}
	if further {
		r.remember(noteLate, note(end))
	}
	return r.changedFacts(facts)
}

// change reads again what one entry names.
func (r *run) change(c Change) error {
	ch := reading.Channel{Device: c.Device, Quantity: c.Quantity}
	ends, err := r.opt.Journal.Ends(r.ctx, []string{c.Device})
	if err != nil {
		return err
	}
	// What is after the newest of the copy is read in its turn. Were it taken
	// here, the copy would seem to have all that is before it.
	have, ok := ends[ch]
	if !ok || have.Before(c.From) {
		return nil
	}
	to := earliest(c.To, have)
	if c.Quantity == reading.PulseIncrement {
		// One that was moved forward, beyond what had been forwarded, comes like any
		// other and not by the feed. Seen at both places, it may have been taken
		// from the one that is gone now.
		to = have
	}
	return r.fetch(c.Device, []reading.Quantity{c.Quantity}, c.From.Add(-time.Millisecond), to)
}

// merged puts entries about the same together. The order is that of channels,
// then of time, facts first.
func merged(list []Change) []Change {
	list = slices.Clone(list)
	for i := range list {
		if list[i].Quantity == "" {
			list[i].Device = ""
		}
	}
	slices.SortStableFunc(list, func(a, b Change) int {
		return cmp.Or(cmp.Compare(a.Device, b.Device), cmp.Compare(a.Quantity, b.Quantity), a.From.Compare(b.From), a.To.Compare(b.To))
	})
	out := list[:0]
	for _, c := range list {
		if n := len(out); n > 0 && out[n-1].Device == c.Device && out[n-1].Quantity == c.Quantity && !c.From.After(out[n-1].To.Add(mergeGap)) {
			out[n-1].To = latest(out[n-1].To, c.To)
			continue
		}
		out = append(out, c)
	}
	return out
}

// mergeGap is how far apart two changes may lie to be read at once: a question
// costs as much as some hundred rows.
const mergeGap = time.Hour
