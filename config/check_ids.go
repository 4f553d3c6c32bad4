package config

import (
	"fmt"
	"strings"
	"time"
)

// register holds the ids of each kind, with where they stand.
type register struct {
	areas, machines, gateways, lubricants, reservoirs, models, points, dispensers, rounds, roles *ids
	devices                                                                                      *ids // machines, dispensers and gateways share the topics
}

// ids are the ids of one kind in the file's order.
type ids struct {
	kind   string
	broken bool // some of them could not be read
	order  []string
	index  map[string]int    // position in the file's list
	path   map[string]string // where each stands
	lower  map[string]string // lower case to the first spelling
}

func newIDs(kind string) *ids {
	return &ids{kind: kind, index: map[string]int{}, path: map[string]string{}, lower: map[string]string{}}
}

// add notes an id; it reports one that is taken or differs only in case.
func (c *checker) add(set *ids, path, id string, i int) {
	low := strings.ToLower(id)
	first, taken := set.lower[low]
	switch {
	case taken && first == id:
		c.fault(path, fmt.Sprintf("id %s is taken by the %s on line %d", id, set.kind, c.at(set.path[id])), "give each its own id")
		return
	case taken:
		c.fault(path, fmt.Sprintf("id %s differs only in case from %s on line %d", id, first, c.at(set.path[first])), "choose an id that cannot be mixed up")
	default:
		set.lower[low] = id
	}
	set.order = append(set.order, id)
	set.index[id], set.path[id] = i, path
}

// has reports a reference to something that is not there.
func (c *checker) has(set *ids, path, id string) bool {
	if _, ok := set.index[id]; ok {
		return true
	}
	if set.broken {
		return false // it may be one of those that could not be read
	}
	remedy := fmt.Sprintf("add the %s, or use one of: %s", set.kind, known(set.order))
	if like, ok := nearest(id, set.order); ok {
		remedy = fmt.Sprintf("did you mean %s?", like)
	}
	c.fault(path, fmt.Sprintf("there is no %s %q", set.kind, shorten(id)), remedy)
	return false
}

func (c *checker) site() {
	c.validID("site", c.s.ID)
	if c.required("zone", c.s.Zone, "the name of the site's time zone, such as Europe/Berlin") {
		if _, err := time.LoadLocation(c.s.Zone); err != nil || c.s.Zone == "Local" {
			c.fault("zone", fmt.Sprintf("there is no time zone %q", shorten(c.s.Zone)), "a name of the IANA time zone database, such as Europe/Berlin or UTC")
		}
	}
	c.required("data", c.s.Data, "a directory for readings and decisions, such as data (relative to the site file)")
	if len(c.s.Points) == 0 {
		c.missing("points", "missing", "at least one lube point; `dwindle check --import points.csv` makes them from a table")
	}
}

// collect gathers the ids of every kind.
func (c *checker) collect() {
	s := c.s
	c.ids = register{
		areas: newIDs("area"), machines: newIDs("machine"), gateways: newIDs("gateway"), lubricants: newIDs("lubricant"),
		reservoirs: newIDs("reservoir"), models: newIDs("dispenser model"), points: newIDs("point"),
		dispensers: newIDs("dispenser"), rounds: newIDs("round"), roles: newIDs("role"), devices: newIDs("device"),
	}
	gather(c, c.ids.areas, "areas", len(s.Areas), func(i int) string { return s.Areas[i].ID })
	gather(c, c.ids.machines, "machines", len(s.Machines), func(i int) string { return s.Machines[i].ID })
	gather(c, c.ids.gateways, "gateways", len(s.Gateways), func(i int) string { return s.Gateways[i].ID })
	gather(c, c.ids.lubricants, "lubricants", len(s.Lubricants), func(i int) string { return s.Lubricants[i].ID })
	gather(c, c.ids.reservoirs, "reservoirs", len(s.Reservoirs), func(i int) string { return s.Reservoirs[i].ID })
	gather(c, c.ids.models, "dispenser_models", len(s.Models), func(i int) string { return s.Models[i].ID })
	gather(c, c.ids.points, "points", len(s.Points), func(i int) string { return s.Points[i].ID })
	gather(c, c.ids.dispensers, "dispensers", len(s.Dispensers), func(i int) string { return s.Dispensers[i].ID })
	gather(c, c.ids.rounds, "calendar.rounds", len(s.Calendar.Rounds), func(i int) string { return s.Calendar.Rounds[i].ID })
	gather(c, c.ids.roles, "roles", len(s.Roles), func(i int) string { return s.Roles[i].ID })
	for _, set := range []*ids{c.ids.machines, c.ids.dispensers, c.ids.gateways} {
		for _, id := range set.order {
			c.device(set, id)
		}
	}
}

// device notes that an id sends messages. Two things under one id would mix
// their readings.
func (c *checker) device(set *ids, id string) {
	all, low := c.ids.devices, strings.ToLower(id)
	first, taken := all.lower[low]
	if !taken {
		all.lower[low] = id
		all.path[id] = set.path[id]
		return
	}
	if strings.HasPrefix(all.path[first], set.path[id][:strings.IndexByte(set.path[id], '[')]) {
		return // of the same kind: reported already
	}
	c.fault(set.path[id], fmt.Sprintf("%s %s has the id of the device on line %d", set.kind, id, c.at(all.path[first])),
		"machines, dispensers and gateways share the topics, so give each its own id, whatever the case of its letters")
}

func gather(c *checker, set *ids, list string, n int, id func(int) string) {
	set.broken = c.told(list)
	for i := range n {
		path := indexed(list, i) + ".id"
		set.broken = set.broken || c.told(path)
		if c.validID(path, id(i)) {
			c.add(set, path, id(i), i)
		}
	}
}
