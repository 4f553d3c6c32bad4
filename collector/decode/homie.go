package decode

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// Topics of the Homie convention, versions 5 and 4: "Homie: An MQTT Convention
// for IoT/M2M", version 5.0.0, 2025, and version 4.0.0, 2019.
//
//	<root>/5/<device>/<node>/<property>     version 5
//	<root>/<device>/<node>/<property>       version 4
//
// The payload of a property is its value, an item named node/property, or a
// bare value where the mapping's topic names the property already. The
// attribute $state is an item of that name: true for ready, init, alert, false
// for disconnected and lost. A device that sleeps is neither, since its silence
// was announced; its interval judges it. All other attributes, targets and
// commands are known and have no items. Attributes of a device that is removed
// are cleared with a payload of length 0, which is sorted out before any form.
//
// All messages are retained and have no time. What comes as it happens counts
// at the time of receipt; what the broker replays at a connect is the state of
// an unknown time and leaves no history, as with every message of that kind.
//
// Version 5 gives units in the device's $description, a message of its own.
// Messages are read one by one, each for itself, and so the unit is the
// mapping's; what the description says is shown where a mapping is tried.

var homieForm = form{name: "homie", recognises: likeHomie, read: readHomie}

// homieLevels are the levels of a topic behind the root, and the version where
// the topic tells it.
func homieLevels(topic string) (levels []string, ok bool) {
	levels = strings.Split(topic, "/")
	switch {
	case len(levels) > 2 && levels[1] == "5":
		return levels[2:], true
	case len(levels) > 2:
		return levels[1:], true
	}
	return nil, false
}

func likeHomie(topic string, _ []byte) bool {
	_, ok := homieLevels(topic)
	return ok && strings.HasPrefix(topic, "homie/")
}

func readHomie(in input) ([]item, *Kept) {
	levels, ok := homieLevels(in.topic)
	if !ok || len(in.topic) > MaxTopic || !utf8.ValidString(in.topic) {
		return nil, &Kept{Reason: BadTopic, Detail: "a topic such as homie/5/device/node/property is expected"}
	}
	if len(levels) == 2 && levels[1] == "$state" {
		return homieState(in)
	}
	for _, level := range levels {
		if strings.HasPrefix(level, "$") {
			return nothing, nil // an attribute, $target, $broadcast
		}
	}
	switch {
	case len(levels) == 4 && levels[3] == "set":
		return nothing, nil // a command to the device
	case len(levels) != 3:
		return nil, &Kept{Reason: BadTopic, Detail: "a topic such as homie/5/device/node/property is expected"}
	}
	out := item{name: levels[1] + "/" + levels[2]}
	// Version 5 writes an empty text as one zero byte, since a payload of
	// length 0 clears.
	if bytes.Equal(in.payload, []byte{0}) {
		out.value = value{kind: textValue}
		return homieItems(in, out), nil
	}
	text, kept := textOf(in.payload)
	if kept != nil {
		return nil, kept
	}
	out.value = scalarValue(text)
	// Only true and false are booleans, in small letters.
	if out.value.kind == textValue && (strings.EqualFold(out.value.text, "true") || strings.EqualFold(out.value.text, "false")) {
		out.bad = "the convention writes true and false in small letters"
	}
	return homieItems(in, out), nil
}

// homieItems gives the one value of a message under its name, and as a bare
// value to mappings whose topic says already which property it is.
func homieItems(in input, one item) []item {
	if in.wants == nil || !in.wants(nil) {
		return []item{one}
	}
	bare := one
	bare.name = ""
	if in.wants([]byte(one.name)) {
		return []item{bare, one}
	}
	return []item{bare}
}

// homieState reads the state of a device.
func homieState(in input) ([]item, *Kept) {
	switch string(in.payload) {
	case "ready", "init", "alert":
		return homieItems(in, item{name: "$state", value: boolean(true)}), nil
	case "disconnected", "lost":
		return homieItems(in, item{name: "$state", value: boolean(false)}), nil
	case "sleeping":
		return nothing, nil
	}
	return nil, &Kept{Reason: BadForm, Detail: "$state: " + clipQuote(in.payload) + " is none of init, ready, disconnected, sleeping, lost, alert"}
}

// HomieHints tells what a device says of its properties in its $description, or
// in the attributes $unit and $datatype of version 4: one line a property, for
// whoever writes the mapping. Other messages have none.
func HomieHints(topic string, payload []byte) []string {
	levels, ok := homieLevels(topic)
	if !ok || len(payload) > MaxPayload {
		return nil
	}
	text, kept := textOf(payload)
	if kept != nil {
		return nil
	}
	if n := len(levels); n == 4 && (levels[3] == "$unit" || levels[3] == "$datatype") {
		return []string{levels[1] + "/" + levels[2] + ": " + strings.TrimPrefix(levels[3], "$") + " " + clip(string(text))}
	}
	if len(levels) != 2 || levels[1] != "$description" {
		return nil
	}
	root, kept := scanText(text)
	if kept != nil || root.kind != objectValue {
		return nil
	}
	var hints []string
	eachNamed(root, "nodes", func(node string, v value) {
		eachNamed(v, "properties", func(property string, v value) {
			if len(hints) == mostHints {
				return
			}
			m := object(v)
			kind, _ := m.text("datatype")
			unit, _ := m.text("unit")
			hint := clip(node) + "/" + clip(property) + ": datatype " + clip(kind)
			if unit != "" {
				hint += ", unit " + clip(unit)
			}
			hints = append(hints, hint)
		})
	})
	return hints
}

// mostHints bounds the properties that are told.
const mostHints = 64

// eachNamed goes through the objects below a member: by their names (version
// 5.0.0), or in a list with an id each (its drafts).
func eachNamed(v value, name string, do func(id string, v value)) {
	if v.kind != objectValue {
		return
	}
	all, kept := object(v).get(name)
	if all == nil || kept != nil {
		return
	}
	switch all.kind {
	case objectValue:
		for _, m := range object(*all) {
			if m.value.kind == objectValue {
				do(m.name, m.value)
			}
		}
	case listValue:
		for _, x := range elements(*all) {
			if x.kind == objectValue {
				id, _ := object(x).text("id")
				do(id, x)
			}
		}
	}
}
