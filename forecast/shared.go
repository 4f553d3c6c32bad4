package forecast

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// shared is what all points of one pass share. It is built before the workers
// start; after that only the calendars are added to, which follow from the site
// alone, so that results do not depend on who comes first.
type shared struct {
	site    *config.Site
	whole   Source
	at      time.Time
	opt     Options
	limits  config.Limits
	records records
	// spread is what is taken of points that nobody measures; nil while it is
	// learned from those that are, which come first.
	spread *pumps

	today civil.Date
	// first is the first day of the tables, origin that of what duty is learned
	// from.
	first, origin civil.Date
	edges         []time.Time // start of each day from first to the day after today

	mu        sync.Mutex
	calendars map[string]*calendar
	tables    sync.Pool // of *[]reading.Day, to be used again by the next chunk
}

// pass works on the points of one chunk of the fleet, by one goroutine. What it
// has read and learned goes with it: the memory of a pass must not grow with the
// points times the days.
type pass struct {
	*shared
	src     reading.Batch
	days    map[source]table
	outlook map[outlookKey]*outlook
	looks   *looks
	amounts map[stretch]reading.Amount
	bases   map[string]string // by rung
	plans   map[[2]float64]*[config.DayTypes]float64

	history []duty.Day // room for the history of one duty
	fit     duty.Scratch
	state   duty.State
	body    []byte // room for a state to be kept

	levelRoom [levelRooms][]level
	rooms     int // of these in use
}

// table is what is read of the days of a duty: from a date on, and nil where
// nothing is known there.
type table struct {
	days []reading.Day
	from civil.Date
}

// stretch is a time of a duty that is not a whole day. Points of one machine ask
// for the same ones.
type stretch struct {
	source
	from, to int64 // ns
}

// calendar is the days of machines that stop together.
type calendar struct {
	past, ahead []config.DayType // from first to today, from today to the horizon
	loads       loads
	marks       []uint64 // of states, see marks
}

// source names a duty: of a machine in hours, of a dispenser in pulses or cm3.
type source struct {
	device string
	kind   reading.Kind
}

func newShared(ctx context.Context, site *config.Site, src Source, at time.Time, opt Options) (*shared, error) {
	at = at.UTC()
	// Later facts are read too, for one purpose: the register may already show a
	// swap that was still to come at the instant asked for, and only the swap
	// tells who was there before. Whatever else a fact says counts from its time.
	facts, err := src.Facts(ctx, at.AddDate(100, 0, 0))
	if err != nil {
		return nil, fmt.Errorf("forecast: read dated facts: %w", err)
	}
	p := &shared{
		site: site, whole: src, at: at, opt: opt.withDefaults(), limits: defaults(site.Limits),
		records: newRecords(site, facts), today: site.Today(at), calendars: map[string]*calendar{},
	}
	p.origin = origin(p.today)
	p.first = p.origin
	for i := range site.Points {
		if f := p.records.fillStart(site.Points[i].ID, at); f != nil {
			p.first = min(p.first, site.Today(f.At))
		}
	}
	// Ten years bound the tables whatever a fact's time says.
	p.first = max(p.first, p.today-3653)
	loc := site.Location()
	for d := p.first; d <= p.today+1; d++ {
		p.edges = append(p.edges, d.Start(loc))
	}
	return p, nil
}

func (p *shared) start(d civil.Date) time.Time { return p.edges[d-p.first] }
func (p *shared) end(d civil.Date) time.Time   { return p.edges[d-p.first+1] }

// index is the place of a date in the day tables.
func (p *shared) index(d civil.Date) int { return int(d - p.first) }

// on begins to work on points. Close must follow.
func (p *shared) on(ctx context.Context, points ...*config.Point) (*pass, error) {
	out := &pass{shared: p, days: map[source]table{}, outlook: map[outlookKey]*outlook{}, looks: manyLooks.Get().(*looks), amounts: map[stretch]reading.Amount{}, bases: map[string]string{}, plans: map[[2]float64]*[config.DayTypes]float64{}}
	b, ok := p.whole.(Batcher)
	if !ok {
		out.src = single{p.whole}
		return out, nil
	}
	var devices []string
	known := map[string]bool{}
	need := func(device string) {
		if device != "" && !known[device] {
			known[device] = true
			devices = append(devices, device)
		}
	}
	for _, pt := range points {
		need(pt.Machine)
	}
	for _, pt := range points {
		for _, s := range p.records.stints[pt.ID] {
			need(s.device)
		}
	}
	var err error
	if out.src, err = b.Batch(ctx, devices); err != nil {
		return nil, fmt.Errorf("read the past of %d devices: %w", len(devices), err)
	}
	return out, nil
}

// Close ends the reading; the tables go to whoever comes next.
func (p *pass) Close() {
	p.src.Close()
	for _, t := range p.days {
		if t.days != nil {
			p.tables.Put(&t.days)
		}
	}
	p.days, p.outlook = nil, nil
	p.looks.done()
}

// single asks a source that cannot read ahead.
type single struct{ Source }

func (s single) Newest(ctx context.Context, device string, until time.Time) (time.Time, bool, error) {
	at, _, ok, err := s.LastSeen(ctx, device, until)
	return at, ok, err
}

func (s single) Digest(context.Context, string, reading.Kind, civil.Date) (d reading.Digest, ok bool, err error) {
	return d, false, nil
}

func (s single) KeepDigest(context.Context, string, reading.Kind, civil.Date, reading.Digest) error {
	return nil
}

func (s single) Close() {}

// table gives the daily figures of a device, one element per day from p.first to
// today, Known 0 where nothing is known; nil where nothing is known at all.
func (p *pass) table(ctx context.Context, s source) ([]reading.Day, error) {
	return p.since(ctx, s, p.first)
}

// since is table where days before a date do not matter: what it has of them is
// not for use. A pass would otherwise read half a year of every device to look
// at a month.
func (p *pass) since(ctx context.Context, s source, from civil.Date) ([]reading.Day, error) {
	from = max(from, p.first)
	t, ok := p.days[s]
	if ok && t.from <= from {
		return t.days, nil
	}
	list, err := p.src.Days(ctx, s.device, s.kind, from, p.today)
	if err != nil {
		return nil, fmt.Errorf("read %s days of %s: %w", s.kind, s.device, err)
	}
	if len(list) > 0 && t.days == nil {
		if old, ok := p.tables.Get().(*[]reading.Day); ok && len(*old) == len(p.edges)-1 {
			t.days = *old
			clear(t.days)
		} else {
			t.days = make([]reading.Day, len(p.edges)-1)
		}
	}
	for _, d := range list {
		if d.Date >= from && d.Date <= p.today {
			t.days[p.index(d.Date)] = d
		}
	}
	t.from = from
	p.days[s] = t
	return t.days, nil
}

// lately is how many days are looked at first to see that a signal comes.
const lately = 28

// everSeen says that anything is known of a duty.
func (p *pass) everSeen(ctx context.Context, s source) (bool, error) {
	for _, from := range [2]civil.Date{p.today - lately, p.first} {
		days, err := p.since(ctx, s, from)
		if err != nil {
			return false, err
		}
		if days != nil && ever(days[p.index(max(p.days[s].from, p.first)):]) {
			return true, nil
		}
	}
	return false, nil
}

// dayOf is one day of a table.
func dayOf(days []reading.Day, k int) reading.Day {
	if k < 0 || k >= len(days) {
		return reading.Day{}
	}
	return days[k]
}

// ever says that anything is known in a table.
func ever(days []reading.Day) bool {
	for i := range days {
		if days[i].Known > 0 {
			return true
		}
	}
	return false
}

// ahead gives the day types of a machine from today to the horizon.
func (p *shared) ahead(machine string) []config.DayType { return p.calendar(machine).ahead }

// behind gives the day types of a machine from p.first to today.
func (p *shared) behind(machine string) []config.DayType { return p.calendar(machine).past }

// calendar gives the days of a machine. Most machines of a fleet stop together
// and have the same work patterns, and share one.
func (p *shared) calendar(machine string) *calendar {
	stops := make([]byte, 0, 64)
	for i := range p.site.Calendar.Shutdowns {
		stop := byte(0)
		if p.site.Stops(&p.site.Calendar.Shutdowns[i], machine) {
			stop = 1
		}
		stops = append(stops, stop)
	}
	stops = appendLoads(stops, p.site, machine)
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.calendars[string(stops)]
	if c == nil {
		c = &calendar{past: p.dayTypes(machine, p.first, len(p.edges)-1), ahead: p.dayTypes(machine, p.today, p.limits.HorizonDays)}
		c.loads = newLoads(p.site, machine, p.first, p.today, c.past, c.ahead)
		c.marks = marks(c.past, p.index(p.origin), p.origin)
		p.calendars[string(stops)] = c
	}
	return c
}

func (p *shared) dayTypes(machine string, from civil.Date, n int) []config.DayType {
	out := make([]config.DayType, n)
	for i := range out {
		out[i] = p.site.DayType(machine, from+civil.Date(i))
	}
	return out
}

// firstShare is the part of today that is left.
func (p *shared) firstShare() float64 {
	whole := p.end(p.today).Sub(p.start(p.today))
	return min(max(float64(p.end(p.today).Sub(p.at))/float64(whole), 0), 1)
}
