package demo

import (
	"context"
	"slices"
	"sort"
	"testing"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/config/civil"
)

// memory is what the plant's messages hold, read through decoder and meter
// and kept in memory, so that many seeds can be judged without a disk.
type memory struct {
	loc    *time.Location
	series map[series][]meter.Interval
	levels map[string][]reading.Sample
	seen   map[string][]time.Time
	facts  []reading.Fact
	kept   int
}

type series struct {
	device string
	kind   reading.Kind
}

func remember(t testing.TB, plant *simulate.Plant) *memory {
	t.Helper()
	site := plant.Site()
	m := &memory{loc: site.Location(), series: map[series][]meter.Interval{}, levels: map[string][]reading.Sample{}, seen: map[string][]time.Time{}, facts: plant.Facts()}
	byDevice := m.decode(plant, site)
	for device, list := range byDevice {
		slices.SortStableFunc(list, reading.Compare)
		list = slices.CompactFunc(list, reading.SameEntry)
		m.take(site, device, list)
	}
	slices.SortStableFunc(m.facts, func(a, b reading.Fact) int { return a.At.Compare(b.At) })
	return m
}

func (m *memory) decode(plant *simulate.Plant, site *config.Site) map[string][]reading.Reading {
	byDevice := map[string][]reading.Reading{}
	settings := map[string][2]float64{}
	reg := register{site}
	for sent := range plant.Messages() {
		out, why := decode.Native(reading.Message{Topic: sent.Topic, Payload: sent.Payload, Received: sent.At}, "lube/v1", site.ID, reg, sent.At)
		if why != nil {
			m.kept++
			continue
		}
		byDevice[out.Device] = append(byDevice[out.Device], out.Readings...)
		for _, f := range out.Facts {
			if f.Kind == reading.FactSetting {
				now := [2]float64{deref(f.CM3Per100h), deref(f.CM3PerPulse)}
				if settings[out.Device] == now {
					continue
				}
				settings[out.Device] = now
			}
			if f.Point == "" {
				if d := site.Dispenser(f.Device); d != nil {
					f.Point = d.Point
				}
			}
			m.facts = append(m.facts, f)
		}
	}
	return byDevice
}

func deref(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

func (m *memory) take(site *config.Site, device string, list []reading.Reading) {
	rules := meter.Rules{}
	if d := site.Dispenser(device); d != nil {
		rules.CM3PerStroke = site.Model(d.Model).CM3PerStroke
	}
	folds := map[meter.Group]*meter.Fold{}
	for _, r := range list {
		if n := len(m.seen[device]); n == 0 || m.seen[device][n-1].Before(r.At) {
			m.seen[device] = append(m.seen[device], r.At)
		}
		switch r.Quantity {
		case reading.LevelCM3, reading.LevelPercent, reading.LevelGrams, reading.LevelCountLeft:
			m.levels[device] = append(m.levels[device], reading.Sample{At: r.At, Quantity: r.Quantity, Value: r.Value, Flags: r.Flags})
		}
		g, ok := meter.GroupOf(r.Quantity)
		if !ok {
			continue
		}
		if folds[g] == nil {
			folds[g] = meter.New(g, rules)
		}
		k := series{device, g.Kind()}
		m.series[k] = append(m.series[k], folds[g].Add(r)...)
	}
}

// view is the memory as of an instant.
type view struct {
	*memory
	at time.Time
}

func (m *memory) asOf(at time.Time) view { return view{m, at} }

// until gives the intervals that were settled by a time.
func (v view) until(device string, kind reading.Kind, to time.Time) []meter.Interval {
	if v.at.Before(to) {
		to = v.at
	}
	list := v.series[series{device, kind}]
	return list[:sort.Search(len(list), func(i int) bool { return list[i].To.After(to) })]
}

func (v view) Days(_ context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	list := v.until(device, kind, last.End(v.loc).Add(24*time.Hour))
	from := first.Start(v.loc)
	list = list[sort.Search(len(list), func(i int) bool { return list[i].To.After(from) }):]
	var out []reading.Day
	var parts []meter.DayPart
	for _, iv := range list {
		parts = meter.AppendDays(parts[:0], iv, v.loc)
		for _, p := range parts {
			if p.Date < first || p.Date > last {
				continue
			}
			if len(out) == 0 || out[len(out)-1].Date != p.Date {
				out = append(out, reading.Day{Date: p.Date})
			}
			d := &out[len(out)-1]
			d.Amount += p.Amount
			d.Seen = min(1, d.Seen+p.Seen)
			d.Known = min(1, d.Known+p.Known)
			d.Flags |= p.Flags
		}
	}
	return out, nil
}

func (v view) Amount(_ context.Context, device string, kind reading.Kind, from, to time.Time) (reading.Amount, error) {
	var out reading.Amount
	list := v.until(device, kind, to.Add(24*time.Hour))
	list = list[sort.Search(len(list), func(i int) bool { return list[i].To.After(from) }):]
	length := to.Sub(from).Seconds()
	for _, iv := range list {
		a, b := iv.From, iv.To
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		whole, part := iv.To.Sub(iv.From).Seconds(), b.Sub(a).Seconds()
		if part < 0 || whole <= 0 {
			continue
		}
		out.Value += iv.Amount * part / whole
		out.Flags |= iv.Flags
		if iv.Seen {
			out.Seen += part / length
		}
		if iv.Known {
			out.Known += part / length
		}
	}
	return out, nil
}

func (v view) Levels(_ context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	if v.at.Before(to) {
		to = v.at
	}
	list := v.levels[device]
	list = list[sort.Search(len(list), func(i int) bool { return !list[i].At.Before(from) }):]
	var out []reading.Sample
	for i, s := range list {
		if s.At.After(to) {
			break
		}
		lastOfDay := i+1 == len(list) || list[i+1].At.After(to) || civil.Of(list[i+1].At, v.loc) != civil.Of(s.At, v.loc)
		if lastOfDay {
			out = append(out, s)
		}
	}
	return out, nil
}

func (v view) Facts(_ context.Context, until time.Time) ([]reading.Fact, error) {
	if v.at.Before(until) {
		until = v.at
	}
	n := sort.Search(len(v.facts), func(i int) bool { return v.facts[i].At.After(until) })
	return slices.Clone(v.facts[:n]), nil
}

func (v view) LastSeen(_ context.Context, device string, until time.Time) (time.Time, time.Duration, bool, error) {
	if v.at.Before(until) {
		until = v.at
	}
	list := v.seen[device]
	n := sort.Search(len(list), func(i int) bool { return list[i].After(until) })
	if n == 0 {
		return time.Time{}, 0, false, nil
	}
	var steps []time.Duration
	for i := max(1, n-40); i < n; i++ {
		if d := list[i].Sub(list[i-1]); d > time.Minute {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return list[n-1], 0, true, nil
	}
	slices.Sort(steps)
	return list[n-1], steps[len(steps)/2], true, nil
}
