package outbox

import (
	"bytes"
	"fmt"
	"time"

	"dwindle/collector/influx/schema"
)

// job is a parcel with its rows.
type job struct {
	parcel  Parcel
	rows    []row
	refused []Refused
	upto    time.Time // all that was stored by then is in it or before it; zero: not to be written
	s       *Sender
}

// aside keeps a row that was refused.
func (j *job) aside(r row, status int, reason, words string) {
	if r.kind == ofBeat {
		return // the next will do
	}
	j.s.stats.refuse(reason, 1)
	out := Refused{Line: bytes.Clone(r.text), Reason: reason, Status: status, Words: words}
	switch r.kind {
	case ofReading:
		of := &j.parcel.Readings[r.of]
		out.Channel, out.At = of.Channel, of.At
		if out.Line == nil { // a comment in line protocol, to be told from others
			out.Line = fmt.Appendf(nil, "# %s of %s at %s", of.Quantity, of.Device, of.At.UTC().Format(time.RFC3339Nano))
		}
	case ofFact:
		out.Fact = j.parcel.Facts[r.of].ID
		if out.Line == nil {
			out.Line = fmt.Appendf(nil, "# fact %q", out.Fact)
		}
	}
	if reason == BeyondRetention {
		// It is in the journal, and was to end at the receiver.
		out.Line, out.Words = nil, ""
	}
	j.refused = append(j.refused, out)
	j.s.state.refused(reason, words)
	if status != 0 {
		j.s.recovered() // the receiver is not to blame
	}
}

// encode makes the rows of a parcel. What line protocol has no form for is
// refused here.
func (j *job) encode(enc *schema.Encoder) {
	p := &j.parcel
	n := len(p.Readings) + len(p.Facts) + len(p.Lines)
	j.rows = make([]row, 0, n)
	ends := make([]int, 0, n)
	text := make([]byte, 0, len(p.Readings)*128+len(p.Facts)*512)
	add := func(kind rowKind, of int, next []byte, err error) {
		if err != nil {
			j.aside(row{kind: kind, of: int32(of)}, 0, Unencodable, clean(err.Error(), ""))
			return
		}
		text = next
		j.rows = append(j.rows, row{kind: kind, of: int32(of)})
		ends = append(ends, len(text))
	}
	for i := range p.Readings {
		next, err := enc.Reading(text, &p.Readings[i])
		add(ofReading, i, next, err)
	}
	for i := range p.Facts {
		next, err := enc.StoredFact(text, &p.Facts[i])
		add(ofFact, i, next, err)
	}
	begin := 0
	for i := range j.rows {
		j.rows[i].text = bytes.TrimRight(text[begin:ends[i]], "\n")
		begin = ends[i]
	}
	for i := range p.Lines {
		if line := bytes.TrimRight(p.Lines[i].Text, "\n"); len(line) > 0 {
			j.rows = append(j.rows, row{text: line, kind: ofLine, of: int32(i)})
		}
	}
}
