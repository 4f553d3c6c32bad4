// Package memory holds an observed past in memory and serves it as a
// forecast.Source: for tests, benchmarks, and comparisons on virtual
// reservoirs, where no journal exists.
//
// It imports the reading nouns and dates, neither forecast nor the journal.
// Start with [New].
package memory

import (
	"context"
	"slices"
	"sort"
	"sync"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Past is an observed past. Fill it first; reading is then safe from several
// goroutines.
type Past struct {
	loc    *time.Location
	counts map[key][]stretch
	levels map[string][]reading.Sample
	facts  []reading.Fact
	seen   map[string][]time.Time
	every  time.Duration

	mu   sync.Mutex
	days map[key][]reading.Day
}

type key struct {
	device string
	kind   reading.Kind
}

// stretch is a known amount in [from, to), spread evenly over it.
type stretch struct {
	from, to time.Time
	amount   float64
}

// New makes an empty past in a zone.
func New(loc *time.Location) *Past {
	return &Past{
		loc: loc, counts: map[key][]stretch{}, levels: map[string][]reading.Sample{},
		seen: map[string][]time.Time{}, days: map[key][]reading.Day{}, every: time.Hour,
	}
}

// Add records an amount (h, pulses or cm3) known for [from, to). Stretches of
// one device and kind must not overlap; what no stretch covers is unknown.
func (p *Past) Add(device string, kind reading.Kind, from, to time.Time, amount float64) {
	k := key{device, kind}
	p.counts[k] = append(p.counts[k], stretch{from.UTC(), to.UTC(), amount})
	p.seen[device] = append(p.seen[device], to.UTC())
}

// AddDay records an amount known for a whole civil day.
func (p *Past) AddDay(device string, kind reading.Kind, date civil.Date, amount float64) {
	p.Add(device, kind, date.Start(p.loc), date.End(p.loc), amount)
}

// AddLevel records a level reading.
func (p *Past) AddLevel(device string, at time.Time, quantity reading.Quantity, value float64) {
	p.levels[device] = append(p.levels[device], reading.Sample{At: at.UTC(), Quantity: quantity, Value: value})
	p.seen[device] = append(p.seen[device], at.UTC())
}

// AddFact records a dated fact.
func (p *Past) AddFact(f reading.Fact) { p.facts = append(p.facts, f) }

// Seal sorts what was added; call it once after the last Add.
func (p *Past) Seal() *Past {
	for _, list := range p.counts {
		slices.SortFunc(list, func(a, b stretch) int { return a.from.Compare(b.from) })
	}
	for _, list := range p.levels {
		slices.SortStableFunc(list, func(a, b reading.Sample) int { return a.At.Compare(b.At) })
	}
	for _, list := range p.seen {
		slices.SortFunc(list, time.Time.Compare)
	}
	slices.SortStableFunc(p.facts, func(a, b reading.Fact) int { return a.At.Compare(b.At) })
	return p
}

// Days gives the daily figures of a device; see forecast.Source.
func (p *Past) Days(_ context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	k := key{device, kind}
	p.mu.Lock()
	defer p.mu.Unlock()
	all, ok := p.days[k]
	if !ok {
		if list := p.counts[k]; len(list) > 0 {
			for d := civil.Of(list[0].from, p.loc); d.Start(p.loc).Before(list[len(list)-1].to); d++ {
				a := p.amount(k, d.Start(p.loc), d.End(p.loc))
				if a.Known > 0 {
					all = append(all, reading.Day{Date: d, Amount: a.Value, Seen: a.Seen, Known: a.Known})
				}
			}
		}
		p.days[k] = all
	}
	i := sort.Search(len(all), func(i int) bool { return all[i].Date >= first })
	j := sort.Search(len(all), func(i int) bool { return all[i].Date > last })
	return all[i:max(i, j)], nil
}

// Amount gives what is known of a stretch of time; see forecast.Source.
func (p *Past) Amount(_ context.Context, device string, kind reading.Kind, from, to time.Time) (reading.Amount, error) {
	return p.amount(key{device, kind}, from, to), nil
}

func (p *Past) amount(k key, from, to time.Time) reading.Amount {
	list := p.counts[k]
	var out reading.Amount
	if !from.Before(to) {
		return out
	}
	var known time.Duration
	for i := sort.Search(len(list), func(i int) bool { return list[i].to.After(from) }); i < len(list) && list[i].from.Before(to); i++ {
		a, b := list[i].from, list[i].to
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		known += b.Sub(a)
		out.Value += list[i].amount * float64(b.Sub(a)) / float64(list[i].to.Sub(list[i].from))
	}
	out.Known = min(1, float64(known)/float64(to.Sub(from)))
	out.Seen = out.Known
	return out
}

// Levels gives the last level of each civil day and quantity; see
// forecast.Source.
func (p *Past) Levels(_ context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	list := p.levels[device]
	i := sort.Search(len(list), func(i int) bool { return !list[i].At.Before(from) })
	j := sort.Search(len(list), func(i int) bool { return list[i].At.After(to) })
	type slot struct {
		date     civil.Date
		quantity reading.Quantity
	}
	at := map[slot]int{}
	var out []reading.Sample
	for _, s := range list[i:max(i, j)] {
		k := slot{civil.Of(s.At, p.loc), s.Quantity}
		if n, ok := at[k]; ok {
			out[n] = s
			continue
		}
		at[k] = len(out)
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b reading.Sample) int { return a.At.Compare(b.At) })
	return out, nil
}

// Facts gives the facts at or before an instant, corrections applied; see
// forecast.Source.
func (p *Past) Facts(_ context.Context, until time.Time) ([]reading.Fact, error) {
	replaced := map[string]bool{}
	for _, f := range p.facts {
		if f.Corrects != "" {
			replaced[f.Corrects] = true
		}
	}
	var out []reading.Fact
	for _, f := range p.facts {
		if !f.At.After(until) && !replaced[f.ID] {
			out = append(out, f)
		}
	}
	return out, nil
}

// LastSeen gives when a device was heard last; see forecast.Source.
func (p *Past) LastSeen(_ context.Context, device string, until time.Time) (time.Time, time.Duration, bool, error) {
	list := p.seen[device]
	i := sort.Search(len(list), func(i int) bool { return list[i].After(until) })
	if i == 0 {
		return time.Time{}, 0, false, nil
	}
	return list[i-1], p.every, true, nil
}
