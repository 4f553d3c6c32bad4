package collector

import (
	"cmp"
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
	pin  *journal.Pin // nil: each question opens a snapshot of its own
	// ahead is what a batch has read ahead.
	ahead *journal.Snapshot
	days  *dayLengths
	// doubt, if set, hears of derived data that could not be read and were
	// folded anew instead.
	doubt func(journal.Series, error)
}

// NewHistory makes a history over a journal.
func NewHistory(j *journal.Journal, site func() *config.Site) *History {
	return &History{j: j, site: site, cuts: &cuts{}, days: &dayLengths{}}
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
// what it had to fold for days that are cut; without it the history does both
// again and again. Call it before the history is used and the intake runs.
func (h *History) Mends(in *Intake) {
	h.doubt = in.derive.distrust
	h.cuts.save()
	in.derive.saves(h.cuts)
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
	to := h.bound((last + 1).End(r.loc).Add(-time.Millisecond))
	parts, err := h.parts(s.Snapshot, r, first, last, to, nil)
	if unreadable(err) {
		h.tell(r, err)
		whole := beginning(r, 0, nil)
		parts, err = h.parts(s.Snapshot, r, first, last, to, &whole)
	}
	if err != nil {
		return nil, err
	}
	return h.sumDays(parts, r.loc), nil
}

// parts gives what was brought for some days by what is saved and by what is
// folded from there, or from a given base.
func (h *History) parts(s *journal.Snapshot, r recipe, first, last civil.Date, to time.Time, given *base) (parts []journal.Part, err error) {
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
	if b.stored {
		if parts, err = s.Parts(&b.saved, first, last, b.before); err != nil {
			return nil, err
		}
	}
	for _, p := range f.parts {
		if p.Day >= first && p.Day <= last {
			parts = append(parts, p)
		}
	}
	return parts, nil
}

// sumDays adds parts up to days. The order of addition is that of the parts,
// so that the sum does not depend on how they came about.
func (h *History) sumDays(parts []journal.Part, loc *time.Location) []reading.Day {
	slices.SortStableFunc(parts, func(a, b journal.Part) int { return cmp.Compare(a.Day, b.Day) })
	out := make([]reading.Day, 0, len(parts)/2+1)
	for i := 0; i < len(parts); {
		d := reading.Day{Date: parts[i].Day}
		var seen, known time.Duration
		for ; i < len(parts) && parts[i].Day == d.Date; i++ {
			d.Amount += parts[i].Amount
			d.Flags |= parts[i].Flags
			seen += parts[i].Seen
			known += parts[i].Known
		}
		length := h.days.of(d.Date, loc)
		d.Seen, d.Known = portion(seen, length), portion(known, length)
		if d.Known > 0 || d.Seen > 0 || d.Amount != 0 || d.Flags != 0 {
			out = append(out, d)
		}
	}
	return out
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
	s, err := h.snapshot(ctx, device)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	out, err := h.levels(s.Snapshot, r, from, to, nil)
	if unreadable(err) {
		h.tell(r, err)
		whole := beginning(r, 0, nil)
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
		if !b.head {
			last-- // the day itself was scanned anew
		}
		if days, err = s.LevelDays(&b.saved, civil.Of(from, r.loc), last); err != nil {
			return nil, err
		}
	}
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
