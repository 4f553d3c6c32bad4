package collector

import (
	"fmt"
	"math"
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
