package forecast

import (
	"context"
	"fmt"
	"slices"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/export"
	"dwindle/forecast/trend"
)

// Trends gives the rows of `export trends` from the first to the last date, both
// included: consumption per 100 run-hours per point, machine, area and lubricant,
// by regression of each day's volume on that day's run-hours through the origin.
//
// A point's daily volume is what was measured to go out, where it has measured
// doses or levels, else what was commanded; the column volume says which. A
// commanded volume of a run-paced dispenser follows its setting exactly, so its
// error is 0: it says nothing about delivery. Groups add up the days on which
// all their points are known; points of which no day is known are left out and
// counted. Run-hours of a group are those of its machines.
// Points for which one of only does not hold are left out, of groups too.
func Trends(ctx context.Context, site *config.Site, src Source, first, last civil.Date, only ...func(*config.Point) bool) ([]export.Trend, error) {
	p, err := newSpan(ctx, site, src, first, last)
	if err != nil {
		return nil, err
	}
	n := int(last-first) + 1
	var out, machines, areas, lubricants []export.Trend
	byMachine, byArea, byLubricant := groups{}, groups{}, groups{}
	err = p.inOrder(ctx, only, func(p *pass, pt *config.Point) error {
		days, err := p.daily(ctx, pt, first)
		if err != nil {
			return fmt.Errorf("trend of point %s: %w", pt.ID, err)
		}
		s := seriesOf(days.parts, first, n)
		s.marks = p.marks(pt, first, last)
		one := newGroup(n)
		one.add(pt.Machine, s)
		out = append(out, one.row("point", pt.ID, first))
		byMachine.at(pt.Machine, n).add(pt.Machine, s)
		if m := site.Machine(pt.Machine); m != nil && m.Area != "" {
			byArea.at(m.Area, n).add(pt.Machine, s)
		}
		if pt.Lubricant != "" {
			byLubricant.at(pt.Lubricant, n).add(pt.Machine, s)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i := range site.Machines {
		machines = byMachine.append(machines, "machine", site.Machines[i].ID, first)
	}
	for i := range site.Areas {
		areas = byArea.append(areas, "area", site.Areas[i].ID, first)
	}
	for i := range site.Lubricants {
		lubricants = byLubricant.append(lubricants, "lubricant", site.Lubricants[i].ID, first)
	}
	out = slices.Concat(out, machines, areas, lubricants)
	for i := range out {
		out[i].Zone = site.Location().String()
	}
	return out, nil
}

// series is a point's daily volume and its machine's hours.
type series struct {
	volume, hours []float64
	known         []bool
	delivered     bool
	marks         []string
}

func seriesOf(days []pointDay, first civil.Date, n int) series {
	s := series{volume: make([]float64, n), hours: make([]float64, n), known: make([]bool, n)}
	measured := 0
	for _, d := range days {
		if d.fellOK && d.row.Date >= first {
			measured++
		}
	}
	s.delivered = measured >= trend.MinDays
	parts := make([]int, n)
	for _, d := range days {
		k := int(d.row.Date - first)
		if k < 0 {
			continue
		}
		ok := d.hoursOK && (s.delivered && d.fellOK || !s.delivered && d.told)
		s.known[k] = ok && (parts[k] == 0 || s.known[k])
		parts[k]++
		s.hours[k] += d.hours
		if s.delivered {
			s.volume[k] += d.fell
		} else {
			s.volume[k] += d.commanded
		}
	}
	return s
}

// group sums points over days.
type group struct {
	volume   []float64
	known    []bool
	machines map[string][]float64 // hours by machine, each once
	order    []string
	points   int // added up
	leftOut  int
	measured int
	marks    []string
}

type groups map[string]*group

func newGroup(n int) *group {
	g := &group{volume: make([]float64, n), known: make([]bool, n), machines: map[string][]float64{}}
	for i := range g.known {
		g.known[i] = true
	}
	return g
}

func (gs groups) at(id string, n int) *group {
	if gs[id] == nil {
		gs[id] = newGroup(n)
	}
	return gs[id]
}

func (gs groups) append(rows []export.Trend, kind, id string, first civil.Date) []export.Trend {
	if gs[id] == nil {
		return rows
	}
	return append(rows, gs[id].row(kind, id, first))
}

func (g *group) add(machine string, s series) {
	g.marks = append(g.marks, s.marks...)
	if !slices.Contains(s.known, true) {
		g.leftOut++
		return
	}
	g.points++
	if s.delivered {
		g.measured++
	}
	for i := range g.volume {
		g.volume[i] += s.volume[i]
		g.known[i] = g.known[i] && s.known[i]
	}
	if g.machines[machine] == nil {
		g.machines[machine] = s.hours
		g.order = append(g.order, machine)
	}
}

func (g *group) row(kind, id string, first civil.Date) export.Trend {
	row := export.Trend{Group: kind, ID: id, Volume: "commanded", Points: g.points, LeftOut: g.leftOut}
	switch {
	case g.points > 0 && g.measured == g.points:
		row.Volume = "delivered"
	case g.measured > 0:
		row.Volume = "mixed"
	}
	slices.Sort(g.marks)
	row.ChangeMarks = append([]string{}, slices.Compact(g.marks)...) // never nil: none is known to be none
	var x, y []float64
	sum := 0.0
	for i := range g.volume {
		if !g.known[i] || g.points == 0 {
			continue
		}
		day := first + civil.Date(i)
		if row.From.IsZero() {
			row.From = day
		}
		row.To = day
		h := 0.0
		for _, m := range g.order {
			h += g.machines[m][i]
		}
		x, y = append(x, h), append(y, g.volume[i])
		sum += g.volume[i]
	}
	row.Days = len(x)
	if len(x) > 0 {
		perDay := sum / float64(len(x))
		row.CM3PerDay = &perDay
	}
	f, err := trend.Rate(x, y)
	if err != nil {
		return row // no fit, no figures
	}
	slope, se, low, high := 100*f.Slope, 100*f.SE, 100*f.Low, 100*f.High
	row.CM3Per100h, row.SE, row.Low, row.High = &slope, &se, &low, &high
	return row
}

// marks are the dates on which something changed that a trend must be read
// with: settings, swaps, refills.
func (p *pass) marks(pt *config.Point, first, last civil.Date) []string {
	var out []string
	note := func(d civil.Date) {
		if d >= first && d <= last {
			out = append(out, d.String())
		}
	}
	for _, f := range p.records.at(pt.ID) {
		switch f.Kind {
		case reading.FactChange, reading.FactSwap, reading.FactCommission:
			note(p.site.Today(f.At))
		}
	}
	pcs := p.records.pieces(p.site, pt.ID, p.start(first), p.at)
	for i, pc := range pcs {
		if i > 0 {
			note(p.site.Today(pc.from))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
