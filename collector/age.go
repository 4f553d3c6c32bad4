package collector

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Readings leave the journal by a stated rule: a series' readings before an
// instant go when they are older than the site keeps them, the days before it
// are derived and saved, and nothing that forecasts asked for in the last
// round rests on them. The days stay for ever.

// Bounds of ageing.
const (
	ageRows = 2_000   // removed in one commit, so that messages never wait long
	ageMost = 500_000 // removed at once; the rest the next time
)

// ageing is a wish to remove old readings.
type ageing struct {
	before time.Time
	needs  map[string]time.Time
	gone   int64
}

// Age removes readings from before an instant, and from before what is still
// needed of a device, if anything. It says how many are gone; what is left over
// goes the next time. The instant should lie ten weeks back at least, since
// messages come late and days are derived anew.
func (in *Intake) Age(ctx context.Context, before time.Time, needs map[string]time.Time) (gone int64, err error) {
	x := &ageing{before: before, needs: needs}
	done := make(chan error, 1)
	in.derive.ask(wish{age: x, done: done})
	if err := wait(ctx, done); err != nil {
		return 0, err
	}
	return x.gone, nil
}

// age does it, where series are derived, so that nothing changes meanwhile.
func (d *deriver) age(ctx context.Context, x *ageing) error {
	s, err := d.j.Snapshot(ctx)
	if err != nil {
		return err
	}
	series, err := s.Series()
	s.Close()
	if err != nil {
		return err
	}
	devices := map[string]struct{}{}
	for _, y := range series {
		devices[y.Device] = struct{}{}
	}
	for _, device := range slices.Sorted(maps.Keys(devices)) {
		series = append(series, journal.Series{Device: device, Kind: reading.Status})
	}
	for _, y := range series {
		before := x.before
		if need, ok := x.needs[y.Device]; ok && need.Before(before) {
			before = need
		}
		if err := d.letAge(ctx, y, before); err != nil {
			return err
		}
		for more := true; more && x.gone < ageMost; {
			if err := ctx.Err(); err != nil {
				return err
			}
			var n int64
			if n, more, err = d.j.DropAged(ctx, y, ageRows); err != nil {
				return err
			}
			x.gone += n
		}
	}
	return nil
}

// letAge marks a series as far as it may age, if that is any further than now.
func (d *deriver) letAge(ctx context.Context, series journal.Series, before time.Time) error {
	site := d.site()
	loc := site.Location()
	day := journal.BundleDay(civil.Of(before, loc))
	a := journal.Aged{Series: series, Day: day, Until: day.Start(loc)}
	s, err := d.j.Snapshot(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	if old, ok, err := s.Aged(series); err != nil || ok && !old.Until.Before(a.Until) {
		return err
	}
	if series.Kind == reading.Status {
		// What is measured of the device is folded with it, perhaps anew.
		for _, kind := range []reading.Kind{reading.Run, reading.Pulse, reading.Dose} {
			own := journal.Series{Device: series.Device, Kind: kind}
			if _, ok, err := s.Head(own); err != nil {
				return err
			} else if !ok {
				continue
			}
			if old, ok, err := s.Aged(own); err != nil && !unreadable(err) || !ok || old.Until.Before(a.Until) {
				return err
			}
		}
	} else {
		r, ok := recipeFor(site, series)
		if !ok {
			return nil
		}
		head, ok, err := s.Head(series)
		if err != nil || !ok || head.Rules != r.mark || head.Late.Seq != 0 || !head.At.After(a.Until) {
			return err // not derived so far: another time
		}
		if !r.level {
			to := a.Until.Add(-time.Millisecond)
			b, err := savedBase(s, r, to, false)
			if err != nil || b.gone {
				return err
			}
			f, err := run(s, r, b, to, nil)
			if err != nil {
				return err
			}
			m, err := f.fold(r)
			if err != nil {
				return err
			}
			a.State = m.State()
		}
	}
	return d.j.Age(ctx, a)
}

// needs remembers, for each device, the earliest instant from which something
// finer than whole days was asked for in a round.
type needs struct {
	mu   sync.Mutex
	now  map[string]time.Time
	last map[string]time.Time // of the last whole round; nil: there was none
}

func (n *needs) note(device string, from time.Time) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if old, ok := n.now[device]; n.now != nil && (!ok || from.Before(old)) {
		n.now[device] = from
	}
}

// Round begins to note what is asked of the history, until the returned
// function is called; whole says that all was asked that is ever asked.
func (h *History) Round() (end func(whole bool)) {
	n := h.needs
	n.mu.Lock()
	defer n.mu.Unlock()
	n.now = map[string]time.Time{}
	return func(whole bool) {
		n.mu.Lock()
		defer n.mu.Unlock()
		if whole {
			n.last = n.now
		}
		n.now = nil
	}
}

// Needs gives, for each device, the earliest instant that was asked for in the
// last whole round; ok is false where there was none.
func (h *History) Needs() (needs map[string]time.Time, ok bool) {
	h.needs.mu.Lock()
	defer h.needs.mu.Unlock()
	return maps.Clone(h.needs.last), h.needs.last != nil
}
