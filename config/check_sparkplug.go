package config

import (
	"fmt"
	"slices"
	"strings"

	"dwindle/config/mapping"
)

// sparkplugTopics is what all topics of Sparkplug B begin with.
const sparkplugTopics = "spBv1.0/"

func (c *checker) sparkplug(n *Connections, s *Sparkplug) {
	const at = "connections.sparkplug"
	brokers := c.s.Brokers()
	switch {
	case len(brokers) == 0:
		c.fault(at, "no external broker to find the edge nodes at", "the broker that they use, under connections.broker")
	case s.Broker == "" && len(brokers) > 1:
		c.fault(at+".broker", "which of the brokers is meant", "one of "+strings.Join(brokerNames(brokers), ", "))
	case s.Broker != "" && !slices.Contains(brokerNames(brokers), s.Broker):
		c.fault(at+".broker", fmt.Sprintf("no broker is called %q", shorten(s.Broker)), "one of "+strings.Join(brokerNames(brokers), ", "))
	}
	const remedy = "a word without /, + and #"
	switch {
	case s.HostID == "" && s.Primary:
		c.fault(at+".host_id", "missing", "the id by which edge nodes name their primary host")
	case s.HostID != "" && !validLevel(s.HostID):
		c.fault(at+".host_id", fmt.Sprintf("%q cannot be a level of a topic", shorten(s.HostID)), remedy)
	}
	for i, group := range s.Groups {
		if !validLevel(group) {
			c.fault(indexed(at+".groups", i), fmt.Sprintf("%q cannot be a level of a topic", shorten(group)), remedy)
		}
	}
	if !slices.ContainsFunc(n.Mappings, func(m mapping.Mapping) bool { return strings.HasPrefix(m.Topic, sparkplugTopics) }) {
		c.warn(at, "no mapping says what a metric means: nothing of what edge nodes send is stored", "a mapping of a topic such as spBv1.0/{area}/+/+/{device} under connections.mappings")
	}
}

func brokerNames(brokers []Broker) []string {
	var names []string
	for _, b := range brokers {
		names = append(names, b.Name)
	}
	return names
}

// validLevel says whether a text can be one level of a topic.
func validLevel(text string) bool {
	const longest = 256
	return text != "" && len(text) <= longest && !strings.ContainsAny(text, "/+#\x00") && !strings.HasPrefix(text, "$")
}

// SparkplugBroker is the broker of the Sparkplug edge nodes; false where the
// site has none.
func (s *Site) SparkplugBroker() (Broker, bool) {
	if s.Connections.Sparkplug == nil {
		return Broker{}, false
	}
	for _, b := range s.Brokers() {
		if name := s.Connections.Sparkplug.Broker; name == "" || name == b.Name {
			return b, true
		}
	}
	return Broker{}, false
}

// Maps says that a mapping takes messages of a topic.
func (s *Site) Maps(topic string) bool {
	return slices.ContainsFunc(s.Connections.Mappings, func(m mapping.Mapping) bool {
		return mapping.Covers(m.Filter(s.ID), topic)
	})
}
