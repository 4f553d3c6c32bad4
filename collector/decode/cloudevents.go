package decode

import (
	"bytes"
	"encoding/base64"
	"strconv"
	"strings"
)

// Events in JSON: Cloud Native Computing Foundation, "CloudEvents - Version
// 1.0.2" and "JSON Event Format for CloudEvents - Version 1.0.2", 2022. MQTT
// 3.1.1 has no place for attributes but the payload, so that this is how events
// come ("MQTT Protocol Binding for CloudEvents - Version 1.0.2", section 3.2).
//
// The event is unwrapped: what is in data has the names that it would have
// without the event around it, and so has what is in data_base64. Data may be
// JSON, a SenML pack (datacontenttype application/senml+json) or a bare text.
// The event's time is that of its values where they have none of their own.
// Its source and id together are unique, and make the key of an increment.
//
// A list of events, the batch format, is not meant for MQTT; it is taken where
// every element is an event.

var cloudEventsForm = form{name: "cloudevents", recognises: likeEvents, read: readEvents}

// likeEvents looks for the attributes that every event has.
func likeEvents(_ string, payload []byte) bool {
	if !bytes.Contains(payload, []byte(`"specversion"`)) {
		return false // spares the scan of what is plain JSON
	}
	s, _, ok := firstObject(payload)
	if !ok {
		return false
	}
	m, fault := s.object(2)
	if fault != nil {
		return false
	}
	have := 0
	for _, x := range m {
		switch x.name {
		case "specversion", "id", "source", "type":
			if x.value.kind == textValue {
				have++
			}
		}
	}
	return have >= 4
}

func readEvents(in input) ([]item, *Kept) {
	text, kept := textOf(in.payload)
	if kept != nil {
		return nil, kept
	}
	root, kept := scanText(text)
	if kept != nil {
		return nil, kept
	}
	events := []value{root}
	if root.kind == listValue {
		events = elements(root)
	}
	items := nothing
	for i, v := range events {
		at := ""
		if root.kind == listValue {
			at = "event " + strconv.Itoa(i+1) + ": "
		}
		more, kept := readEvent(in, v)
		if kept != nil {
			kept.Detail = at + kept.Detail
			return nil, kept
		}
		if items = append(items, more...); len(items) > MaxElements {
			return nil, &Kept{Reason: TooComplex, Detail: "more than " + strconv.Itoa(MaxElements) + " values"}
		}
	}
	return items, nil
}

// readEvent gives what is in one event.
func readEvent(in input, v value) ([]item, *Kept) {
	if v.kind != objectValue {
		return nil, &Kept{Reason: BadForm, Detail: "an event is an object"}
	}
	m := object(v)
	var attribute [5]string
	for i, name := range [...]string{"specversion", "id", "source", "type", "datacontenttype"} {
		text, kept := m.text(name)
		if kept != nil {
			return nil, kept
		}
		if text == "" && i < 4 {
			return nil, &Kept{Reason: BadForm, Detail: name + ": every event has it"}
		}
		attribute[i] = text
	}
	version, id, source, content := attribute[0], attribute[1], attribute[2], attribute[4]
	if version != "1.0" {
		return nil, &Kept{Reason: BadForm, Detail: "specversion: " + strconv.Quote(clip(version)) + " is not read, 1.0 is"}
	}
	t, kept := m.get("time")
	if kept != nil {
		return nil, kept
	}
	var when *moment
	if t != nil {
		if when, kept = timeIn(t, "time", in.received); kept != nil {
			return nil, kept
		}
	}
	items, kept := eventData(in, m, content)
	if kept != nil {
		return nil, kept
	}
	key := keyOf(source, id)
	seen := make(map[string]int, len(items))
	for i := range items {
		x := &items[i]
		if x.when == nil {
			x.when = when
		}
		x.id = key
		// A pack in an event may have a name at several times.
		if seen[x.name]++; seen[x.name] > 1 {
			x.id = keyOf(source, id+"#"+strconv.Itoa(seen[x.name]))
		}
	}
	return items, nil
}

// eventData reads the data of an event by its type of content.
func eventData(in input, m members, content string) ([]item, *Kept) {
	data, kept := m.get("data")
	if kept != nil {
		return nil, kept
	}
	coded, kept := m.get("data_base64")
	if kept != nil {
		return nil, kept
	}
	if coded == nil {
		if data == nil {
			return nothing, nil // an event without data is one that says nothing here
		}
		return dataItems(in, *data, content)
	}
	if data != nil {
		return nil, &Kept{Reason: BadForm, Detail: "data and data_base64: only one of them can be there"}
	}
	raw, err := base64.StdEncoding.DecodeString(coded.text)
	if coded.kind != textValue || err != nil {
		return nil, &Kept{Reason: BadForm, Detail: "data_base64: base64 is expected"}
	}
	text, kept := textOf(raw)
	if kept != nil {
		kept.Detail = "data_base64: " + kept.Detail
		return nil, kept
	}
	if !jsonContent(content) {
		return dataItems(in, value{kind: textValue, text: string(text)}, content)
	}
	inner, kept := scanText(text)
	if kept != nil {
		kept.Detail = "data_base64: " + kept.Detail
		return nil, kept
	}
	return dataItems(in, inner, content)
}

// dataItems reads a value of data.
func dataItems(in input, data value, content string) ([]item, *Kept) {
	switch {
	case mediaType(content) == "application/senml+json" && data.kind == listValue:
		in.payload = data.raw
		return readSenML(in)
	case !jsonContent(content):
		if data.kind != textValue {
			return nil, &Kept{Reason: BadForm, Detail: "data: text is expected with datacontenttype " + strconv.Quote(clip(content))}
		}
		return []item{{value: scalarValue([]byte(data.text))}}, nil
	}
	return jsonItems(in, data, ""), nil
}

// jsonContent says whether data is JSON by its media type; without one it is
// (section 3.1).
func jsonContent(content string) bool {
	media := mediaType(content)
	return media == "" || strings.HasSuffix(media, "/json") || strings.HasSuffix(media, "+json")
}

// mediaType is a type of content without its parameters.
func mediaType(content string) string {
	media, _, _ := strings.Cut(content, ";")
	return strings.ToLower(strings.TrimSpace(media))
}
