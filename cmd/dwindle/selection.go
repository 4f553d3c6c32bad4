package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
)

// selection narrows a table. Of one kind several may be named and any will do;
// of several kinds all must hold.
type selection struct {
	Point   []string `placeholder:"ID" help:"Only of this lube point, whatever dispenser was mounted there; may be repeated."`
	Machine []string `placeholder:"ID" help:"Only of this machine and its points; may be repeated."`
	Area    []string `placeholder:"ID" help:"Only of this area, its machines, points and gateways; may be repeated."`
}

// chosen is a selection of a site. Nil maps: anything.
type chosen struct {
	site                    *config.Site
	points, machines, areas map[string]bool
}

// in looks the ids up.
func (s selection) in(site *config.Site, what string) (c chosen, err error) {
	c.site = site
	if c.points, err = known("--point", s.Point, site.Points, func(p *config.Point) string { return p.ID }, site); err != nil {
		return c, err
	}
	if c.machines, err = known("--machine", s.Machine, site.Machines, func(m *config.Machine) string { return m.ID }, site); err != nil {
		return c, err
	}
	if c.areas, err = known("--area", s.Area, site.Areas, func(a *config.Area) string { return a.ID }, site); err != nil {
		return c, err
	}
	if what == "machines" && c.points != nil {
		return c, &usageError{fmt.Sprintf("a point has no run-hours of its own: want --machine %s", site.Point(s.Point[0]).Machine)}
	}
	if c.points != nil && !slices.ContainsFunc(site.Points, func(p config.Point) bool { return c.point(&p) }) ||
		c.machines != nil && !slices.ContainsFunc(site.Machines, func(m config.Machine) bool { return c.withMachine(m.ID) }) {
		return c, &usageError{"nothing in " + site.Path() + " is at all of these places: --point, --machine and --area must all hold"}
	}
	return c, nil
}

// known makes a set of ids, each of which the site must have.
func known[T any](flag string, ids []string, have []T, id func(*T) string, site *config.Site) (map[string]bool, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	var names []string
	for i := range have {
		names = append(names, id(&have[i]))
	}
	out := map[string]bool{}
	for _, one := range ids {
		if !slices.Contains(names, one) {
			text := fmt.Sprintf("%s %q is not in %s", flag, one, site.Path())
			if like, ok := config.Like(one, names); ok {
				text += "; did you mean " + like + "?"
			} else if len(names) > 0 {
				text += "; there are " + strings.Join(names[:min(len(names), 8)], ", ")
				if len(names) > 8 {
					text += " and others"
				}
			}
			return nil, &usageError{text}
		}
		out[one] = true
	}
	return out, nil
}

// all says that nothing was left out.
func (c chosen) all() bool { return c.points == nil && c.machines == nil && c.areas == nil }

// String names what was chosen as it is asked for; empty: everything.
func (c chosen) String() string {
	var out []string
	for _, kind := range []struct {
		flag string
		ids  map[string]bool
	}{{"--point", c.points}, {"--machine", c.machines}, {"--area", c.areas}} {
		for _, id := range slices.Sorted(maps.Keys(kind.ids)) {
			out = append(out, kind.flag+" "+id)
		}
	}
	return strings.Join(out, " ")
}

// point says whether a point is chosen.
func (c chosen) point(p *config.Point) bool {
	return p != nil && (c.points == nil || c.points[p.ID]) && c.withMachine(p.Machine)
}

func (c chosen) pointID(id string) bool { return c.point(c.site.Point(id)) }

// machine says whether a machine itself is chosen, not just a point of it.
func (c chosen) machine(m *config.Machine) bool {
	return m != nil && c.points == nil && c.withMachine(m.ID)
}

func (c chosen) withMachine(id string) bool {
	if c.machines != nil && !c.machines[id] {
		return false
	}
	if c.areas == nil {
		return true
	}
	m := c.site.Machine(id)
	return m != nil && c.areas[m.Area]
}

// gateway says whether a gateway is chosen: by its area alone.
func (c chosen) gateway(g *config.Gateway) bool {
	return g != nil && c.points == nil && c.machines == nil && (c.areas == nil || c.areas[g.Area])
}

// device says whether what a device did at an instant is chosen.
func (c chosen) device(places *forecast.Places, id string, at time.Time) bool {
	switch {
	case c.all():
		return true
	case c.site.Machine(id) != nil:
		return c.machine(c.site.Machine(id))
	case c.site.Gateway(id) != nil:
		return c.gateway(c.site.Gateway(id))
	}
	return c.pointID(places.At(id, at))
}

// fact says whether a fact is about something chosen.
func (c chosen) fact(places *forecast.Places, f reading.Fact) bool {
	if f.Point != "" {
		return c.all() || c.pointID(f.Point)
	}
	return c.device(places, f.Device, f.At)
}

// stretch is what of a device's readings is wanted.
type stretch struct {
	device   string
	from, to time.Time // to: not included
}

// stretches lists the readings to be read, by device, then by time.
func (c chosen) stretches(places *forecast.Places, from, to time.Time) []stretch {
	var out []stretch
	for i := range c.site.Machines {
		if m := &c.site.Machines[i]; c.machine(m) {
			out = append(out, stretch{m.ID, from, to})
		}
	}
	for i := range c.site.Gateways {
		if g := &c.site.Gateways[i]; c.gateway(g) {
			out = append(out, stretch{g.ID, from, to})
		}
	}
	for _, stays := range places.Dispensers(c.pointID) {
		for _, s := range stays {
			a, b := from, to
			if s.From.After(a) {
				a = s.From
			}
			if !s.To.IsZero() {
				b = earlierOf(b, s.To)
			}
			if a.Before(b) {
				out = append(out, stretch{s.Dispenser, a, b})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b stretch) int { return strings.Compare(a.device, b.device) })
	return out
}

// located tells where a device is, one reading after another.
type located struct {
	site   *config.Site
	places *forecast.Places

	device        string // the last one
	known         bool
	machine, area string // of a machine or gateway
}

// at gives point, machine and area of a device at an instant.
func (l *located) at(device string, at time.Time) (point, machine, area string) {
	if l.device != device {
		l.device, l.known, l.machine, l.area = device, false, "", ""
		if m := l.site.Machine(device); m != nil {
			l.known, l.machine, l.area = true, m.ID, m.Area
		} else if g := l.site.Gateway(device); g != nil {
			l.known, l.area = true, g.Area
		}
	}
	if l.known {
		return "", l.machine, l.area
	}
	point = l.places.At(device, at)
	if p := l.site.Point(point); p != nil {
		if m := l.site.Machine(p.Machine); m != nil {
			return point, m.ID, m.Area
		}
	}
	return point, "", ""
}
