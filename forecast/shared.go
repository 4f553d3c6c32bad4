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

// historyDays is how far back duty is learned from.
const historyDays = 400

// pass is what all points of one pass share. Everything in it is either built
// before the workers start or filled once per key, from the source alone, so
// that results do not depend on who comes first.
type pass struct {
	site    *config.Site
	src     Source
	at      time.Time
	opt     Options
	limits  config.Limits
	records records
	// spread is what is taken of points that nobody measures; nil while it is
	// learned from those that are, which come first.
	spread *pumps

	today civil.Date
	first civil.Date  // of the history that is read
	edges []time.Time // start of each day from first to the day after today

	mu      sync.Mutex
	days    map[source]*once[[]reading.Day]
	types   map[string]*once[[]config.DayType]
	past    map[string]*once[[]config.DayType]
	outlook map[outlookKey]*once[outlook]
}

// source names a duty: of a machine in hours, of a dispenser in pulses or cm3.
type source struct {
	device string
	kind   reading.Kind
}

// once is a value made at most once, by whoever needs it first.
type once[T any] struct {
	sync.Once
	value T
	err   error
}

func newPass(ctx context.Context, site *config.Site, src Source, at time.Time, opt Options) (*pass, error) {
	at = at.UTC()
	// Later facts are read too, for one purpose: the register may already show a
	// swap that was still to come at the instant asked for, and only the swap
	// tells who was there before. Whatever else a fact says counts from its time.
	facts, err := src.Facts(ctx, at.AddDate(100, 0, 0))
	if err != nil {
		return nil, fmt.Errorf("forecast: read dated facts: %w", err)
	}
	p := &pass{
		site: site, src: src, at: at, opt: opt.withDefaults(), limits: defaults(site.Limits),
		records: newRecords(site, facts), today: site.Today(at),
		days: map[source]*once[[]reading.Day]{}, types: map[string]*once[[]config.DayType]{},
		past: map[string]*once[[]config.DayType]{}, outlook: map[outlookKey]*once[outlook]{},
	}
	p.first = p.today - historyDays
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

func (p *pass) start(d civil.Date) time.Time { return p.edges[d-p.first] }
func (p *pass) end(d civil.Date) time.Time   { return p.edges[d-p.first+1] }

// index is the place of a date in the day tables.
func (p *pass) index(d civil.Date) int { return int(d - p.first) }

// table gives the daily figures of a device, one element per day from p.first to
// today, Known 0 where nothing is known; nil where nothing is known at all.
func (p *pass) table(ctx context.Context, s source) ([]reading.Day, error) {
	p.mu.Lock()
	o := p.days[s]
	if o == nil {
		o = &once[[]reading.Day]{}
		p.days[s] = o
	}
	p.mu.Unlock()
	o.Do(func() {
		list, err := p.src.Days(ctx, s.device, s.kind, p.first, p.today)
		if err != nil {
			o.err = fmt.Errorf("read %s days of %s: %w", s.kind, s.device, err)
			return
		}
		if len(list) == 0 {
			return
		}
		o.value = make([]reading.Day, len(p.edges)-1)
		for _, d := range list {
			if d.Date >= p.first && d.Date <= p.today {
				o.value[p.index(d.Date)] = d
			}
		}
	})
	return o.value, o.err
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
func (p *pass) ahead(machine string) []config.DayType {
	return p.dayTypes(p.types, machine, p.today, p.limits.HorizonDays)
}

// behind gives the day types of a machine from p.first to today.
func (p *pass) behind(machine string) []config.DayType {
	return p.dayTypes(p.past, machine, p.first, len(p.edges)-1)
}

func (p *pass) dayTypes(table map[string]*once[[]config.DayType], machine string, from civil.Date, n int) []config.DayType {
	p.mu.Lock()
	o := table[machine]
	if o == nil {
		o = &once[[]config.DayType]{}
		table[machine] = o
	}
	p.mu.Unlock()
	o.Do(func() {
		o.value = make([]config.DayType, n)
		for i := range o.value {
			o.value[i] = p.site.DayType(machine, from+civil.Date(i))
		}
	})
	return o.value
}

// firstShare is the part of today that is left.
func (p *pass) firstShare() float64 {
	whole := p.end(p.today).Sub(p.start(p.today))
	return min(max(float64(p.end(p.today).Sub(p.at))/float64(whole), 0), 1)
}

// outlook is what is expected of a duty. Its curves over the calendar ahead are
// made for each point when they are needed: they take a hundred times the
// memory of the model, and a fleet has thousands of machines.
type outlook struct{ model duty.Model }

// known says that there is a model.
func (o outlook) known() bool { return o.model.Rung() != "" && o.model.Rung() != duty.RungNone }

// outlookKey is what an outlook depends on, for those shared by points.
type outlookKey struct {
	machine string
	perWeek float64
}

// machineOutlook learns the run-hours of a machine, once for all its points with
// the same plan.
func (p *pass) machineOutlook(ctx context.Context, machine string, perWeek float64) (outlook, error) {
	key := outlookKey{machine, perWeek}
	p.mu.Lock()
	o := p.outlook[key]
	if o == nil {
		o = &once[outlook]{}
		p.outlook[key] = o
	}
	p.mu.Unlock()
	o.Do(func() {
		days, err := p.table(ctx, source{machine, reading.Run})
		if err != nil {
			o.err = err
			return
		}
		o.value = p.learn(days, machine, perWeek, 24)
	})
	return o.value, o.err
}

// learn fits a model to a table; today, which is not over, is left out.
func (p *pass) learn(days []reading.Day, machine string, perWeek, maxPerDay float64) outlook {
	types := p.behind(machine)
	n := max(len(days)-1, 0)
	from := 0
	for from < n && days[from].Known <= 0 {
		from++
	}
	from = max(from, n-historyDays)
	history := make([]duty.Day, 0, n-from)
	for i := from; i < n; i++ {
		history = append(history, duty.Day{Type: types[i], Amount: days[i].Amount, Seen: days[i].Known})
	}
	var plan *duty.Plan
	if perWeek > 0 {
		plan = &duty.Plan{PerWeek: perWeek}
	}
	return outlook{model: duty.Rules{MaxPerDay: maxPerDay}.Fit(history, plan)}
}
