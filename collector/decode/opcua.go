package decode

import (
	"bytes"
	"math"
	"strconv"
	"strings"

	"dwindle/config/mapping"
)

// Messages of OPC UA PubSub in JSON, read-only: OPC Foundation, "OPC 10000-14:
// UA Part 14: PubSub", release 1.05, section 7.2.5 (JSON message mapping), with
// the values of "OPC 10000-6: UA Part 6: Mappings", section 5.4 (JSON encoding).
//
// Of a network message with data, each field of each data set message is an
// item. Its name is the field's, behind the writer's name or else its number
// and a dot, where the message gives one: Writer102.Temperature, 5.Pulses. A
// field is a bare value, a variant ({Type, Body} or {UaType, Value}), or a data
// value ({Value, StatusCode or Status, SourceTimestamp}); fields of other
// objects and lists are items of their own by their path. Only what is good is
// used: the two upper bits of a status code are 00 for good, 01 for uncertain,
// 10 for bad ("OPC 10000-4: UA Part 4: Services", release 1.05, section 7.39.1).
//
// Keep-alive messages, metadata, and the status of publishers are known and
// have no items. Messages without any header cannot be told from plain JSON and
// are read as that.

var opcuaForm = form{name: "opcua", recognises: likeOPCUA, read: readOPCUA}

// likeOPCUA looks for the header of a network or data set message.
func likeOPCUA(_ string, payload []byte) bool {
	if !bytes.Contains(payload, []byte(`"Message`)) && !bytes.Contains(payload, []byte(`"Payload"`)) {
		return false // spares the scan of what is plain JSON
	}
	s, listed, ok := firstObject(payload)
	if !ok || listed {
		return false
	}
	members, fault := s.object(1)
	if fault != nil {
		return false
	}
	var data, list, writer, body bool
	for _, m := range members {
		switch m.name {
		case "MessageType":
			data = data || strings.HasPrefix(m.value.text, "ua-")
		case "Messages":
			list = m.value.kind == listValue || m.value.kind == objectValue
		case "MessageId", "PublisherId", "DataSetWriterId", "DataSetWriterName":
			writer = true
		case "Payload":
			body = m.value.kind == objectValue
		}
	}
	return data || list && writer || body && writer
}

func readOPCUA(in input) ([]item, *Kept) {
	text, kept := textOf(in.payload)
	if kept != nil {
		return nil, kept
	}
	root, kept := scanText(text)
	if kept != nil {
		return nil, kept
	}
	r := &opcua{in: in}
	switch root.kind {
	case objectValue:
		kept = r.network(root)
	case listValue: // data set messages without a network message around them
		kept = r.messages(root)
	default:
		kept = &Kept{Reason: BadForm, Detail: "an OPC UA message is an object"}
	}
	if kept != nil {
		return nil, kept
	}
	if r.items == nil {
		return nothing, nil
	}
	return r.items, nil
}

// opcua collects the items of one payload.
type opcua struct {
	in        input
	messageID string
	items     []item
}

// network reads a network message, or a data set message that stands alone.
func (r *opcua) network(root value) *Kept {
	m := object(root)
	kind, kept := m.text("MessageType")
	if kept != nil {
		return kept
	}
	list, kept := m.get("Messages")
	if kept != nil {
		return kept
	}
	switch {
	case list == nil && (kind == "" || isDataSetMessage(kind)):
		return r.message(m, 0)
	case kind != "" && kind != "ua-data":
		return nil // metadata, status, connection and the like: known, no data
	case list == nil:
		return &Kept{Reason: BadForm, Detail: "Messages: not there"}
	}
	if r.messageID, kept = m.text("MessageId"); kept != nil {
		return kept
	}
	if list.kind == objectValue { // a single message
		return r.message(object(*list), 0)
	}
	return r.messages(*list)
}

// isDataSetMessage says that a type is one of data set messages.
func isDataSetMessage(kind string) bool {
	switch kind {
	case "ua-keyframe", "ua-deltaframe", "ua-event", "ua-keepalive", "ua-condition":
		return true
	}
	return false
}

func (r *opcua) messages(list value) *Kept {
	if list.kind != listValue {
		return &Kept{Reason: BadForm, Detail: "Messages: a list is expected"}
	}
	for i, v := range elements(list) {
		if v.kind != objectValue {
			return &Kept{Reason: BadForm, Detail: "Messages[" + strconv.Itoa(i) + "]: an object is expected"}
		}
		if kept := r.message(object(v), i); kept != nil {
			return kept
		}
	}
	return nil
}

// message reads a data set message.
func (r *opcua) message(m members, at int) *Kept {
	payload, kept := m.get("Payload")
	if kept != nil {
		return kept
	}
	if payload == nil {
		for _, name := range [...]string{"DataSetWriterId", "DataSetWriterName", "SequenceNumber", "MessageType", "MetaDataVersion", "MinorVersion"} {
			if v, _ := m.get(name); v != nil {
				return nil // a keep-alive message
			}
		}
		return r.fields(m, opcuaHead{}) // without a header: the payload itself
	}
	if payload.kind != objectValue {
		return &Kept{Reason: BadForm, Detail: "Payload: an object is expected"}
	}
	head, kept := r.head(m, at)
	if kept != nil {
		return kept
	}
	return r.fields(object(*payload), head)
}

// opcuaHead is what a data set message says of all its fields.
type opcuaHead struct {
	prefix string
	when   *moment
	id     string
	bad    string
}

func (r *opcua) head(m members, at int) (head opcuaHead, kept *Kept) {
	writer, kept := m.text("DataSetWriterName")
	if kept != nil {
		return head, kept
	}
	if writer == "" {
		id, kept := m.get("DataSetWriterId")
		if kept != nil {
			return head, kept
		}
		switch {
		case id != nil && id.kind == numberValue:
			writer = string(id.raw)
		case id != nil && id.kind == textValue: // text until release 1.04
			writer = id.text
		}
	}
	if len(writer) > MaxTopic {
		return head, &Kept{Reason: NotText, Detail: "DataSetWriterName: longer than " + strconv.Itoa(MaxTopic) + " bytes"}
	}
	if writer != "" {
		head.prefix = string(mapping.AppendMember(nil, writer))
	}
	if head.when, kept = r.time(m, "Timestamp"); kept != nil {
		return head, kept
	}
	if r.messageID != "" {
		head.id = keyOf(r.messageID, strconv.Itoa(at))
	}
	status, kept := m.get("Status")
	if kept != nil {
		return head, kept
	}
	head.bad, kept = severity(status, "Status")
	return head, kept
}

// time reads a time of RFC 3339; nil: there is none.
func (r *opcua) time(m members, name string) (*moment, *Kept) {
	v, kept := m.get(name)
	if v == nil {
		return nil, kept
	}
	// "No time" is written as the beginning of the years (Part 6, section
	// 5.4.2.6) or, by some, of the count of times, 1601 (section 5.2.2.5).
	if strings.HasPrefix(v.text, "0001-01-01") || strings.HasPrefix(v.text, "1601-01-01") {
		return nil, nil
	}
	return timeIn(v, name, r.in.received)
}

// severity says why a value of a status must not be used; empty: it is good.
func severity(status *value, name string) (string, *Kept) {
	if status == nil {
		return "", nil // left out where it is good
	}
	v := status
	if v.kind == objectValue {
		var kept *Kept
		if v, kept = object(*v).get("Code"); kept != nil || v == nil {
			return "", kept
		}
	}
	code, err := strconv.ParseUint(string(v.raw), 10, 64)
	if v.kind != numberValue || err != nil || code > math.MaxUint32 {
		return "", &Kept{Reason: BadForm, Detail: name + ": " + clip(string(v.raw)) + " is no status code"}
	}
	words := [...]string{"", "uncertain", "bad", "bad"}
	if word := words[code>>30]; word != "" {
		return word + " by its status code 0x" + strings.ToUpper(strconv.FormatUint(code, 16)), nil
	}
	return "", nil
}

// fields adds the fields of a payload.
func (r *opcua) fields(payload members, head opcuaHead) *Kept {
	for _, m := range payload {
		if len(m.name) > MaxTopic {
			continue // no mapping can name it
		}
		out := item{value: m.value, when: head.when, id: head.id, bad: head.bad}
		if m.value.kind == objectValue {
			v := object(m.value)
			if isDataValue(v) {
				if kept := r.dataValue(v, &out); kept != nil {
					kept.Detail = clip(m.name) + "." + kept.Detail
					return kept
				}
			} else if body := variant(v); body != nil {
				out.value = *body
			}
		}
		name := mapping.AppendMember([]byte(head.prefix), m.name)
		for _, x := range jsonItems(r.in, out.value, string(name)) {
			one := out
			one.name, one.value, one.unit = x.name, x.value, x.unit
			r.items = append(r.items, one)
		}
	}
	return nil
}

// isDataValue says that an object is a data value: nothing but members of one.
func isDataValue(m members) bool {
	any := false
	for _, x := range m {
		switch x.name {
		case "StatusCode", "Status", "SourceTimestamp", "ServerTimestamp":
			any = true
		case "Value", "UaType", "Type", "Body", "Dimensions", "SourcePicoseconds", "ServerPicoseconds":
		default:
			return false
		}
	}
	return any || len(m) == 1 && m[0].name == "Value"
}

// variant gives what is in {Type, Body} or {UaType, Value}; nil: it is none.
func variant(m members) *value {
	var kind, body *value
	for i := range m {
		switch m[i].name {
		case "Type", "UaType":
			kind = &m[i].value
		case "Body", "Value":
			body = &m[i].value
		case "Dimensions":
		default:
			return nil
		}
	}
	if kind == nil || kind.kind != numberValue {
		return nil
	}
	return body
}

func (r *opcua) dataValue(m members, out *item) *Kept {
	body, kept := m.get("Value")
	if kept != nil {
		return kept
	}
	if body == nil { // release 1.05.04 puts the variant's members beside the others
		if body, kept = m.get("Body"); kept != nil {
			return kept
		}
	}
	out.value = value{kind: nullValue, raw: []byte("null")}
	if body != nil {
		out.value = *body
		if body.kind == objectValue {
			if inner := variant(object(*body)); inner != nil {
				out.value = *inner
			}
		}
	}
	when, kept := r.time(m, "SourceTimestamp")
	if kept != nil {
		return kept
	}
	if when != nil {
		out.when = when
	}
	for _, name := range [...]string{"StatusCode", "Status"} {
		status, kept := m.get(name)
		if kept != nil {
			return kept
		}
		bad, kept := severity(status, name)
		if kept != nil {
			return kept
		}
		if bad != "" {
			out.bad = bad
		}
	}
	return nil
}
