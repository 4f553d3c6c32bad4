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
	read       func(in input) ([]item, *Kept)
}

// input is a message as a form sees it. The payload is not empty and at most
// MaxPayload long; nothing else is known of it.
type input struct {
	topic    string
	payload  []byte
	received time.Time // UTC, millisecond
	zone     *time.Location
}

// item is one value of a message.
type item struct {
	// name says where it stands: a path in JSON ("d.cnt[0].v"), the name of a
	// SenML record, of a metric, of a field.
	name  string
	value value
	// unit as it was sent; empty: the form carries none.
	unit string
	// when is the item's own time; nil: it has none, and the message's time
	// or the receive time counts.
	when *moment
	// id is unique for what happened, where the form has such an id: it is the
	// key of an increment that has no other.
	id string
	// everyS is the longest time until the next value that the sender has
	// promised, s; 0: none was.
	everyS float64
	// past says that the value was buffered by the sender: it belongs into
	// history and says nothing of now.
	past bool
	// bad says why the value must not be used although it is there, such as a
	// quality that is not good. The item then counts as missing.
	bad string
}

// forms are all that are known, in the order in which they are tried.
var forms = []form{
	sparkplugForm,
}
