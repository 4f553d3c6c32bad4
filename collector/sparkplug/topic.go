package sparkplug

import "strings"

// namespace is the first level of every topic of this version.
const namespace = "spBv1.0"

// topicKind says what a topic is.
type topicKind uint8

const (
	noTopic        topicKind = iota
	sparkplugTopic           // <namespace>/<group>/<type>/<edge>[/<device>]
	stateTopic               // <namespace>/STATE/<host>, or STATE/<host> before 3.0
	foreignTopic             // of a version that is not read
)

// topic is a parsed one.
type topic struct{ group, word, node, device string }

// edge is the name under which an edge node is known.
func (t topic) edge() string { return t.group + "/" + t.node }

// data says that a message of this type is of an edge node and no command.
func (t topic) data() bool {
	switch t.word {
	case "NBIRTH", "NDATA", "NDEATH":
		return t.device == ""
	case "DBIRTH", "DDATA", "DDEATH":
		return t.device != ""
	}
	return false
}

func parseTopic(text string) (topic, topicKind) {
	levels := strings.Split(text, "/")
	switch {
	case levels[0] == "STATE" && len(levels) == 2 && levels[1] != "":
		return topic{node: levels[1]}, stateTopic
	case strings.HasPrefix(levels[0], "sp") && strings.HasSuffix(levels[0], "v1.0") && levels[0] != namespace && len(levels) > 2:
		return topic{}, foreignTopic // spAv1.0, spCv1.0
	case levels[0] != namespace:
		return topic{}, noTopic
	case len(levels) == 3 && levels[1] == "STATE" && levels[2] != "":
		return topic{node: levels[2]}, stateTopic
	case len(levels) != 4 && len(levels) != 5:
		return topic{}, noTopic
	}
	t := topic{group: levels[1], word: levels[2], node: levels[3]}
	if len(levels) == 5 {
		t.device = levels[4]
	}
	for _, id := range levels[1:] {
		if id == "" || len(id) > 256 {
			return topic{}, noTopic
		}
	}
	return t, sparkplugTopic
}
