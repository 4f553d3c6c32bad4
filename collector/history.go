package collector

import (
	"context"
	"math"
	"slices"
	"time"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// History reads the observed past. What is not derived yet it folds in itself,
// so that it is right at any moment, beside a writer and without one. Safe for
// concurrent use.
type History struct {
	j    *journal.Journal
	site func() *config.Site
	at   time.Time // zero: all there is
	cuts *cuts
	// digests are those to be saved.
	digests *digests
	pin     *journal.Pin // nil: each question opens a snapshot of its own
	// ahead is what a batch has read ahead.
	ahead *journal.Snapshot
	sums  *daySums // of a batch, which is asked by one
	days  *dayLengths
	needs *needs
	// doubt, if set, hears of derived data that could not be read and were
	// folded anew instead.
	doubt func(journal.Series, error)
}

// NewHistory makes a history over a journal.
func NewHistory(j *journal.Journal, site func() *config.Site) *History {
	return &History{j: j, site: site, cuts: &cuts{}, digests: &digests{}, days: &dayLengths{}, needs: &needs{}}
}

// AsOf gives the history as it could be known at an instant: later readings
// and facts do not exist for it.
func (h *History) AsOf(at time.Time) *History {
	x := *h
	x.at = at
	return &x
}

// Pin gives the same history for the length of one pass over the fleet: it
// answers the same and asks the journal far less. What comes in meanwhile it
// may or may not show. The second result ends it and must be called; a pin must
// not be kept long.
func (h *History) Pin(ctx context.Context) (*History, func()) {
	x := *h
	x.pin = h.j.Pin(ctx)
	return &x, x.pin.Close
}

// snapshot gives what is to be read of a device.
func (h *History) snapshot(ctx context.Context, device string) (o opened, err error) {
	switch {
	case h.ahead != nil:
		return opened{h.ahead, true}, ctx.Err()
	case h.pin == nil:
		o.Snapshot, err = h.j.Snapshot(ctx)
	case ctx.Err() != nil:
		err = ctx.Err()
	default:
		o.Snapshot, err = h.pin.Snapshot(device)
	}
	return o, err
}

// Mends lets an intake derive anew what this history finds unreadable, and save
// what it had to fold for days that are cut and what others made of whole ones;
// without it all of that is done again and again. Call it before the history is used and the intake runs.
func (h *History) Mends(in *Intake) {
	h.doubt = in.derive.distrust
	h.cuts.save()
	h.digests.save(in.derive.signal)
	in.derive.saves(h.cuts, h.digests)
}

func (h *History) tell(r recipe, err error) {
	if err != nil && h.doubt != nil {
		h.doubt(r.Series, err)
	}
}

func (h *History) bound(t time.Time) time.Time {
	if !h.at.IsZero() && h.at.Before(t) {
		return h.at
	}
	return t
}

// Days gives the daily figures of a device for kind Run (h, a machine), Pulse
// (pulses, a dispenser) or Dose (cm3, a dispenser), from the first to the last
// date, both included, in order. Days of which nothing is known are left out.
//
// Readings of the day after last still count, because they settle what
// happened before midnight; with AsOf, none after its instant do.
func (h *History) Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	r, ok := recipeFor(h.site(), journal.Series{Device: device, Kind: kind})
	if !ok || r.level || last < first {
		return nil, nil
	}
	s, err := h.snapshot(ctx, device)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	to := h.until(r, last)
	if h.sums == nil {
		h = &History{site: h.site, doubt: h.doubt, days: h.days, sums: &daySums{}}
	}
	err = h.sums.add(s.Snapshot, r, first, last, to, nil)
	if unreadable(err) {
		h.tell(r, err)
		var whole base
		if whole, err = anew(s.Snapshot, r, 0, nil); err != nil {
			return nil, err
		}
		err = h.sums.add(s.Snapshot, r, first, last, to, &whole)
	}
	if err != nil {
		return nil, err
	}
	return h.sums.list(r.loc, h.days), nil
}

// until is the last instant whose readings count for days up to a last date.
func (h *History) until(r recipe, last civil.Date) time.Time {
	return h.bound((last + 1).End(r.loc).Add(-time.Millisecond))
}

// daySums adds parts up to days. It and its lists are used again for the next
// question.
type daySums struct {
	first civil.Date
	days  []daySum
	out   []reading.Day

	samples []reading.Sample
}

type daySum struct {
	amount      float64
	seen, known time.Duration
	flags       reading.Flags
}

// add adds up what was brought for some days by what is saved and by what is
// folded from there, or from a given base. Each day's parts are added in the
// order in which they were emitted, so that the sum does not depend on how they
// came about.
func (x *daySums) add(s *journal.Snapshot, r recipe, first, last civil.Date, to time.Time, given *base) error {
	b := base{}
	if given != nil {
		b = *given
	} else {
		var err error
		if b, err = savedBase(s, r, to, true); err != nil {
			return err
		}
	}
	f, err := run(s, r, b, to, nil)
	if err != nil {
		return err
	}
	var saved []journal.Part
	if b.stored {
		if saved, err = s.Parts(&b.saved, first, b.before); err != nil {
			return err
		}
	}
	// Nobody has readings of all the days that can be asked for.
	low, high := last, first
	for _, list := range [2][]journal.Part{saved, f.parts} {
		for i := range list {
			low, high = min(low, list[i].Day), max(high, list[i].Day)
		}
	}
	x.first = max(first, low)
	n := max(0, int(int64(min(last, high))-int64(x.first))+1)
	x.days = slices.Grow(x.days[:0], n)[:n]
	clear(x.days)
	for _, list := range [2][]journal.Part{saved, f.parts} {
		for i := range list {
			p := &list[i]
			if p.Day < x.first || p.Day > last {
				continue
			}
			d := &x.days[p.Day-x.first]
			d.amount += p.Amount
			d.seen += p.Seen
			d.known += p.Known
			d.flags |= p.Flags
		}
	}
	return nil
}

// list gives the days of which anything is known.
func (x *daySums) list(loc *time.Location, length *dayLengths) []reading.Day {
	x.out = x.out[:0]
	for i := range x.days {
		s := &x.days[i]
		if s.known == 0 && s.seen == 0 && s.amount == 0 && s.flags == 0 {
			continue
		}
		d := reading.Day{Date: x.first + civil.Date(i), Amount: s.amount, Flags: s.flags}
		of := length.of(d.Date, loc)
		d.Seen, d.Known = portion(s.seen, of), portion(s.known, of)
		if d.Known > 0 || d.Seen > 0 || d.Amount != 0 || d.Flags != 0 {
			x.out = append(x.out, d)
		}
	}
	return x.out
}

func portion(d, of time.Duration) float64 {
	if of <= 0 {
		return 0
	}
	return min(1, d.Seconds()/of.Seconds())
}

// Levels gives the last level reading of each civil day and quantity in
// [from, to], in time order; for the day of to, the last one at or before it.
func (h *History) Levels(ctx context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	to = h.bound(to)
	r, _ := recipeFor(h.site(), journal.Series{Device: device, Kind: reading.Level})
	if to.Before(from) {
		return nil, nil
	}
	h.needs.note(device, to) // of its day the last one before
	s, err := h.snapshot(ctx, device)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	out, err := h.levels(s.Snapshot, r, from, to, nil)
	if unreadable(err) {
		h.tell(r, err)
		var whole base
		if whole, err = anew(s.Snapshot, r, 0, nil); err != nil {
			return nil, err
		}
		out, err = h.levels(s.Snapshot, r, from, to, &whole)
	}
	if err != nil {
		return nil, err
	}
	out = slices.DeleteFunc(out, func(x reading.Sample) bool { return x.At.Before(from) || x.At.After(to) })
	slices.SortStableFunc(out, func(a, b reading.Sample) int { return a.At.Compare(b.At) })
	return out, nil
}

// levels gives the levels of the days of [from, to] and no others of note, from
// what is saved, or from a given base.
func (h *History) levels(s *journal.Snapshot, r recipe, from, to time.Time, given *base) (out []reading.Sample, err error) {
	var b base
	if given != nil {
		b = *given
	} else if b, err = savedBase(s, r, to, true); err != nil {
		return nil, err
	}
	f, err := run(s, r, b, to, nil)
	if err != nil {
		return nil, err
	}
	var days []journal.LevelDay
	if b.stored {
		last := b.before
		if !b.head && !b.gone {
			last-- // the day itself was scanned anew
		}
		if days, err = s.LevelDays(&b.saved, civil.Of(from, r.loc), last); err != nil {
			return nil, err
		}
	}
	if h.sums != nil {
		out = h.sums.samples[:0]
		defer func() { h.sums.samples = out }()
	}
	out = slices.Grow(out, len(days)+len(f.levels))
	for i, l := range days {
		// A later reading of the same day takes the place of a saved one.
		newer := b.head && l.Day == b.before && slices.ContainsFunc(f.levels, func(x journal.LevelDay) bool {
			return x.Day == l.Day && x.Quantity == l.Quantity
		})
		if !newer {
			out = append(out, days[i].Sample)
		}
	}
	for _, l := range f.levels {
		out = append(out, l.Sample)
	}
	return out, nil
}

// Facts gives all dated facts at or before an instant in time order,
// corrections applied.
func (h *History) Facts(ctx context.Context, until time.Time) ([]reading.Fact, error) {
	return h.j.Facts(ctx, h.bound(until))
}

// How the reporting interval of a device is learned: the median distance of
// its last reports.
const (
	learnFrom  = 33 // readings looked at
	learnLeast = 8  // distances needed
)

// LastSeen gives the time of a device's newest live reading or report at or
// before an instant, and its reporting interval: the one it reports itself,
// else the median distance of its last reports, 0 where not yet learned.
// Replays by the broker and entries by people do not count. ok is false if it
// never reported.
func (h *History) LastSeen(ctx context.Context, device string, until time.Time) (seen time.Time, every time.Duration, ok bool, err error) {
	until = h.bound(until)
	s, err := h.snapshot(ctx, device)
	if err != nil {
		return time.Time{}, 0, false, err
	}
	defer s.Close()
	seen, quantity, ok, err := s.Newest(device, until)
	if err != nil || !ok {
		return time.Time{}, 0, false, err
	}
	said, err := s.Last(reading.Channel{Device: device, Quantity: reading.StatusEveryS}, until, 1)
	if err != nil {
		return time.Time{}, 0, false, err
	}
	if len(said) == 1 && said[0].Value > 0 && said[0].Value < math.MaxInt32 {
		return seen, time.Duration(said[0].Value * float64(time.Second)), true, nil
	}
	last, err := s.Last(reading.Channel{Device: device, Quantity: quantity}, until, learnFrom)
	if err != nil {
		return time.Time{}, 0, false, err
	}
	var apart []time.Duration
	for i := 1; i < len(last); i++ {
		if d := last[i-1].At.Sub(last[i].At); d > 0 {
			apart = append(apart, d)
		}
	}
	if len(apart) >= learnLeast {
		slices.Sort(apart)
		every = apart[len(apart)/2]
	}
	return seen, every, true, nil
}

// Readings hands the readings of devices (nil: all) after one instant and up
// to another to fn, by device, then in time order. An error of fn ends it.
func (h *History) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	return h.j.Readings(ctx, devices, after, h.bound(to), fn)
}
