package decode

import "time"

// A payload form is one way of writing values into a message. A form takes a
// payload apart into items, each with the name under which it stands there; it
// knows nothing of machines and dispensers. The mapping of the topic then says
// what each item is, and [sample.vet] judges it as it does native messages.
//
// A form is a pure function in a file of its own, with a fuzz test, and one
// line in the list of forms.
type form struct {
	name string // as in the site file
	// recognises says that a payload is of this form, for mappings that name
	// none; nil: only where it is named. It is quick and may be wrong the safe
	// way: read has the last word.
	recognises func(topic string, payload []byte) bool
	// read gives the items. [nothing] means that the message is known and has
	// no values, such as one that only says that its sender is alive.
	read func(in input) ([]item, *Kept)
	// partial says that messages of a topic hold what has changed, so that one
	// of which a mapping takes nothing is no sign of a wrong mapping; nil: none
	// do.
	partial func(topic string) bool
}

// nothing is what a message holds that is known and has no values.
var nothing = []item{}

// input is a message as a form sees it. The payload is not empty and at most
// MaxPayload long; nothing else is known of it.
type input struct {
	topic    string
	payload  []byte
	received time.Time // UTC, millisecond

	// wants says that the mapping may take a value of this name; nil: any.
	// Forms of which a payload may hold very many names ask it before they
	// make an item. A few that are not wanted may be given all the same: their
	// names are told where nothing could be taken.
	wants func(name []byte) bool
	// each and ndjson are as in the mapping, for JSON.
	each   string
	ndjson bool
}

// item is one value of a message.
type item struct {
	// name says where it stands: a path in JSON ("d.cnt[0].v"), the name of a
	// SenML record, of a metric, of a field.
	name  string
	value value
	// unit as it was sent; empty: the form carries none.
	unit string
	// part numbers what counts as a message of its own, from 1, where a payload
	// holds several: its time then holds for its values alone. 0: the whole.
	part int
	// when is the item's own time; nil: it has none, and the message's time
	// or the receive time counts.
	when *moment
	// id is unique for what happened, where the form has such an id: it is the
	// key of an increment that has no other.
	id string
	// everyS is the longest time until the next value that the sender has
	// promised, s; 0: none was.
	everyS float64
	// bad says why the value must not be used although it is there, such as a
	// quality that is not good. The item then counts as missing.
	bad string
}

// forms are all that are known, in the order in which they are tried.
var forms = []form{
	sparkplugForm,
	homieForm,
	cloudEventsForm,
	senmlForm,
	opcuaForm,
	jsonForm,
	scalarForm,
}

// formNamed finds a form; nil where it is not known.
func formNamed(name string) *form {
	for i := range forms {
		if forms[i].name == name {
			return &forms[i]
		}
	}
	return nil
}

// recognise finds the form of a payload; the last one takes anything.
func recognise(topic string, payload []byte) *form {
	for i := range forms {
		if f := &forms[i]; f.recognises != nil && f.recognises(topic, payload) {
			return f
		}
	}
	return &scalarForm
}
