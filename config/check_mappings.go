package config

import (
	"fmt"
	"slices"
	"strings"

	"dwindle/config/mapping"
)

// mappings checks what messages of other payload forms are said to mean.
func (c *checker) mappings(n *Connections) {
	notes := mapping.CheckAll(n.Mappings)
	names := map[string]int{}
	devices := c.deviceIDs()
	for i := range n.Mappings {
		m := &n.Mappings[i]
		at := indexed("connections.mappings", i)
		for _, p := range m.Check() {
			c.fault(join(at, p.Key), p.What, p.Remedy)
		}
		c.mappedDevices(m, at, devices)
		if first, ok := names[m.Name]; ok && m.Name != "" {
			c.fault(at+".name", fmt.Sprintf("%q is the name of mapping %d, too", shorten(m.Name), first+1), "a name of its own, or none")
		}
		names[m.Name] = i
		if k, ok := notes[i]; ok {
			c.warn(at+".topic", fmt.Sprintf("never used: mapping %d (%s) before it takes all these topics", k+1, shorten(n.Mappings[k].Topic)), "put the narrower one first, or remove one")
		}
		if mapping.Covers(n.Prefix+"/"+c.s.ID+"/#", m.Filter(c.s.ID)) {
			c.warn(at+".topic", fmt.Sprintf("topics below %s/%s are read as native messages, not by mappings", n.Prefix, c.s.ID), "another topic, or another prefix")
		}
	}
	for i, f := range n.Ignore {
		if err := mapping.CheckFilter(f); err != nil {
			c.fault(indexed("connections.ignore", i), err.Error(), "a topic filter such as silo/test/#")
		}
	}
}

// deviceIDs are the ids of whatever can send.
func (c *checker) deviceIDs() *ids {
	all := newIDs("device")
	all.broken = c.ids.machines.broken || c.ids.gateways.broken || c.tainted["dispensers"]
	note := func(id string) {
		all.index[id] = len(all.order)
		all.order = append(all.order, id)
	}
	for i := range c.s.Dispensers {
		note(c.s.Dispensers[i].ID)
	}
	for i := range c.s.Machines {
		note(c.s.Machines[i].ID)
	}
	for i := range c.s.Gateways {
		note(c.s.Gateways[i].ID)
	}
	return all
}

// mappedDevices checks the devices that a mapping names by their id.
func (c *checker) mappedDevices(m *mapping.Mapping, at string, devices *ids) {
	known := func(path, id string) bool {
		return id != "" && !strings.Contains(id, "{") && !c.told(path) && c.has(devices, path, id)
	}
	common := known(at+".device", m.Device)
	for i := range m.Values {
		v := &m.Values[i]
		key := indexed(at+".values", i)
		id, ok := v.Device, v.Device != "" && known(key+".device", v.Device)
		if v.Device == "" {
			id, ok = m.Device, common
		}
		if !ok {
			continue
		}
		kind, _, _ := strings.Cut(v.As, ".")
		_, machine := c.ids.machines.index[id]
		_, gateway := c.ids.gateways.index[id]
		switch {
		case machine && kind != "run" && kind != "status":
			c.fault(key+".as", fmt.Sprintf("%s is of a dispenser, and %s is a machine", v.As, id), "device: with the id of the dispenser")
		case gateway && kind != "status":
			c.fault(key+".as", fmt.Sprintf("%s is not of a gateway, and %s is one", v.As, id), "device: with the id of the machine or dispenser")
		case !machine && !gateway && kind == "run":
			c.fault(key+".as", fmt.Sprintf("%s is of a machine, and %s is a dispenser", v.As, id), "device: with the id of the machine")
		}
	}
}

// TopicFilters are the MQTT topic filters of all messages that the site file
// asks for. They may overlap.
func (s *Site) TopicFilters() []string {
	if s.filters == nil {
		return s.topicFilters() // a site made by hand
	}
	return s.filters
}

func (s *Site) topicFilters() []string {
	prefix := s.Connections.Prefix
	if prefix == "" {
		prefix = DefaultPrefix
	}
	filters := []string{prefix + "/" + s.ID + "/#"}
	for i := range s.Connections.Mappings {
		f := s.Connections.Mappings[i].Filter(s.ID)
		if s.Connections.Sparkplug != nil && strings.HasPrefix(f, sparkplugTopics) {
			continue // they come by way of the host, which knows what they mean
		}
		if f != "" {
			filters = append(filters, f)
		}
	}
	return filters
}

// Wants says that a topic is one of those that the site file asks for.
func (s *Site) Wants(topic string) bool {
	return slices.ContainsFunc(s.TopicFilters(), func(f string) bool { return mapping.Covers(f, topic) })
}
