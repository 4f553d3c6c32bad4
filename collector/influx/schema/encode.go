package schema

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"dwindle/collector/decode"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// ErrRefused is what cannot be written to InfluxDB so that it would come back
// as it was. It is not a matter of time: the same again is refused again.
var ErrRefused = errors.New("cannot be written to InfluxDB")

// The bounds of what is written.
const (
	MaxID   = decode.MaxID // characters of an id in a tag
	MaxText = 60_000       // bytes of a text; InfluxDB takes up to 64 kB

	slots        = 1_000_000 // nanoseconds of a millisecond
	exactFloat   = 1 << 53   // up to here a float holds every count
	latestYear   = 2199      // as in site files; InfluxDB ends in 2262
	earliestFact = 1990      // as in site files: a person may date a fact back
)

// Slot is the part of a millisecond, in ns, at which what has an id of its own
// is written: FNV-1a of the id, 32 bits, modulo a million.
func Slot(id string) time.Duration {
	h := fnv.New32a()
	_, _ = h.Write([]byte(id)) // never fails
	return time.Duration(h.Sum32() % slots)
}

// Encoder writes lines for one site. It is for one goroutine. It allocates
// nothing for readings.
type Encoder struct {
	site string
	enc  lineprotocol.Encoder
	text []byte

	// What has been written to one millisecond of one series, so that no two
	// ids share a nanosecond.
	series reading.Channel
	ms     int64
	taken  map[time.Duration]string
}

// NewEncoder makes an encoder for a site.
func NewEncoder(site string) *Encoder {
	e := &Encoder{site: site, taken: map[time.Duration]string{}}
	e.enc.SetLax(true) // names are ours, and ids are checked here
	return e
}

// slot gives an id its own nanosecond among those of one millisecond: where another
// one of the same channel has it already, the next free one. That comes out right
// as long as all of a millisecond are encoded one after another in the order of
// their ids, which is the journal's order.
func (e *Encoder) slot(series reading.Channel, ms int64, id string) time.Duration {
	if series != e.series || ms != e.ms {
		e.series, e.ms = series, ms
		clear(e.taken)
	}
	s := Slot(id)
	for range slots {
		other, taken := e.taken[s]
		if !taken || other == id {
			break
		}
		s = (s + 1) % slots
	}
	e.taken[s] = id
	return s
}

// Reading appends a reading as a line. Its time must not be before 2020 nor
// further ahead of when it was received than the intake allows.
func (e *Encoder) Reading(dst []byte, r *reading.Reading) ([]byte, error) {
	measurement, channel, ok := measurementOf(r.Quantity)
	switch {
	case !ok:
		return dst, refuse("reading", r.Device, r.Quantity, "there is no such quantity")
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		return dst, refuse("reading", r.Device, r.Quantity, "its value is not a finite number")
	case r.At.Year() < decode.EarliestYear:
		return dst, refuse("reading", r.Device, r.Quantity, "its time "+r.At.UTC().Format(time.RFC3339)+" is before 2020")
	case r.At.After(r.Received.Add(decode.FutureSlack)) || r.At.Year() > latestYear:
		return dst, refuse("reading", r.Device, r.Quantity, "its time "+r.At.UTC().Format(time.RFC3339)+" is ahead of when it was received")
	case (r.Key != "") != (r.Quantity == reading.PulseIncrement):
		return dst, refuse("reading", r.Device, r.Quantity, "increments have an id and nothing else has")
	}
	if why := badID(r.Device); why != "" {
		return dst, refuse("reading", r.Device, r.Quantity, "the device's id "+why)
	}
	if why := badID(e.site); why != "" {
		return dst, refuse("reading", r.Device, r.Quantity, "the site's id "+why)
	}
	at := r.At.UnixMilli()
	value, flags := r.Value, r.Flags&^reading.ReceiveTime
	if !r.FromDevice {
		flags |= reading.ReceiveTime
	}
	beyond := false
	if r.Quantity.Exact() {
		value, beyond = float64(r.Count), r.Count > exactFloat || r.Count < -exactFloat
	}
	if beyond {
		flags |= reading.Inexact
	}
	v, _ := lineprotocol.FloatValue(value) // finite, as was seen
	var key lineprotocol.Value
	ns := time.Duration(0)
	if r.Key != "" {
		var why string
		if key, why = e.id(r.Key); why != "" {
			return dst, refuse("reading", r.Device, r.Quantity, "its id "+why)
		}
		ns = e.slot(r.Channel, at, r.Key)
	}

	e.begin(dst, measurement, channel, r.Device)
	e.enc.AddField(channel, v)
	e.enc.AddField("lag_ms", lineprotocol.IntValue(r.Received.UnixMilli()-at))
	e.enc.AddField("flags", lineprotocol.IntValue(int64(flags)))
	if beyond {
		e.enc.AddField("exact", lineprotocol.IntValue(r.Count))
	}
	if r.Key != "" {
		e.enc.AddField("key", key)
	}
	return e.end(dst, time.UnixMilli(at).Add(ns))
}

// Fact appends a fact that was reported once as a line.
func (e *Encoder) Fact(dst []byte, f *reading.Fact) ([]byte, error) {
	return e.StoredFact(dst, &reading.StoredFact{Fact: *f, Until: f.At})
}

// StoredFact appends a fact as a line.
func (e *Encoder) StoredFact(dst []byte, f *reading.StoredFact) ([]byte, error) {
	body, err := json.Marshal(&f.Fact)
	if err != nil {
		return dst, refuse("fact", f.ID, "", err.Error())
	}
	if y := f.At.Year(); y < earliestFact || y > latestYear {
		return dst, refuse("fact", f.ID, "", "its time "+f.At.UTC().Format(time.RFC3339)+" is not to be believed")
	}
	if f.Kind == "" || f.ID == "" {
		return dst, refuse("fact", f.ID, "", "it needs an id and a kind")
	}
	for _, tag := range []string{e.site, f.Device, string(f.Kind)} {
		if why := badID(tag); why != "" && (tag != "" || tag == e.site) {
			return dst, refuse("fact", f.ID, "", fmt.Sprintf("%q %s", shorten(tag), why))
		}
	}
	id, why := e.id(f.ID)
	if why != "" {
		return dst, refuse("fact", f.ID, "", "its id "+why)
	}
	if len(body) > MaxText {
		return dst, refuse("fact", f.ID, "", fmt.Sprintf("it is %d bytes long, of at most %d", len(body), MaxText))
	}
	at := f.At.UnixMilli()
	slot := e.slot(reading.Channel{Device: f.Device, Quantity: reading.Quantity(Fact + "." + f.Kind)}, at, f.ID)
	e.begin(dst, Fact, string(f.Kind), f.Device)
	e.enc.AddField("id", id)
	e.enc.AddField("until_ms", lineprotocol.IntValue(max(at, f.Until.UnixMilli())))
	e.enc.AddField("person", lineprotocol.BoolValue(f.Person))
	e.enc.AddField("body", e.value(string(body)))
	return e.end(dst, time.UnixMilli(at).Add(slot))
}

// Range appends to the change feed that readings of a channel in [from, to]
// were written after later ones, or taken away; both ends are whole
// milliseconds. The quantity [FactChannel] without a device stands for facts.
// Two of one channel must not have the same sent, or the second would replace
// the first.
func (e *Encoder) Range(dst []byte, ch reading.Channel, from, to, sent time.Time) ([]byte, error) {
	if why := badID(e.site); why != "" {
		return dst, refuse("range", ch.Device, ch.Quantity, "the site's id "+why)
	}
	if why := badID(ch.Device); why != "" && (ch.Device != "" || ch.Quantity != FactChannel) {
		return dst, refuse("range", ch.Device, ch.Quantity, "the device's id "+why)
	}
	if _, _, ok := measurementOf(ch.Quantity); !ok && ch.Quantity != FactChannel {
		return dst, refuse("range", ch.Device, ch.Quantity, "there is no such quantity")
	}
	if to.Before(from) {
		return dst, refuse("range", ch.Device, ch.Quantity, "its end is before its beginning")
	}
	e.begin(dst, Late, string(ch.Quantity), ch.Device)
	e.enc.AddField("from_ms", lineprotocol.IntValue(from.UnixMilli()))
	e.enc.AddField("to_ms", lineprotocol.IntValue(to.UnixMilli()))
	return e.end(dst, sent)
}

// Forwarded appends that all of a gateway up to an instant has been written.
func (e *Encoder) Forwarded(dst []byte, upto, sent time.Time) ([]byte, error) {
	if why := badID(e.site); why != "" {
		return dst, refuse("forwarded", "", "", "the site's id "+why)
	}
	e.begin(dst, Forwarded, "", "")
	e.enc.AddField("upto_ms", lineprotocol.IntValue(upto.UnixMilli()))
	return e.end(dst, sent)
}

// Calibration is what a fleet's past taught; as the journal has it.
type Calibration struct {
	Version string
	Learned civil.Date
	Stored  time.Time
	Body    []byte
}

// Calibration appends a calibration as a line.
func (e *Encoder) Calibration(dst []byte, c Calibration) ([]byte, error) {
	if why := badID(e.site); why != "" {
		return dst, refuse("calibration", c.Version, "", "the site's id "+why)
	}
	version, why := e.id(c.Version)
	switch {
	case why != "":
		return dst, refuse("calibration", c.Version, "", "its version "+why)
	case !json.Valid(c.Body):
		return dst, refuse("calibration", c.Version, "", "its body is not JSON")
	case controls(string(c.Body)) || !utf8.Valid(c.Body):
		return dst, refuse("calibration", c.Version, "", "its body has characters that do not come back as they are")
	case len(c.Body) > MaxText:
		return dst, refuse("calibration", c.Version, "", fmt.Sprintf("it is %d bytes long, of at most %d", len(c.Body), MaxText))
	}
	stored := c.Stored.UnixMilli()
	e.begin(dst, Calibrated, "", "")
	e.enc.AddField("version", version)
	e.enc.AddField("learned", e.value(c.Learned.String()))
	e.enc.AddField("stored_ms", lineprotocol.IntValue(stored))
	e.enc.AddField("body", e.value(string(c.Body)))
	return e.end(dst, time.UnixMilli(stored).Add(Slot(c.Version)))
}

// begin opens a line behind dst with its tags, of which empty ones are left out.
func (e *Encoder) begin(dst []byte, measurement, channel, device string) {
	e.enc.SetBuffer(dst)
	e.enc.StartLine(measurement)
	if channel != "" {
		e.enc.AddTag("channel", channel)
	}
	if device != "" {
		e.enc.AddTag("device", device)
	}
	e.enc.AddTag("site", e.site)
}

// end closes a line; dst is what was before it.
func (e *Encoder) end(dst []byte, at time.Time) ([]byte, error) {
	e.enc.EndLine(at)
	if err := e.enc.Err(); err != nil {
		return dst, fmt.Errorf("%w: %w", ErrRefused, err)
	}
	return e.enc.Bytes(), nil
}

// id makes a value of an id that may be anything: as it is where it comes back
// as it is, else as a JSON string. The value holds until the next call.
func (e *Encoder) id(id string) (v lineprotocol.Value, why string) {
	switch {
	case !utf8.ValidString(id):
		return v, "is not text"
	case len(id) > MaxText/8:
		return v, "is too long"
	case id == "":
		return v, "is missing"
	}
	if id[0] == '"' || controls(id) {
		quoted, err := json.Marshal(id)
		if err != nil {
			return v, err.Error()
		}
		id = string(quoted)
	}
	e.text = append(e.text[:0], id...)
	v, err := lineprotocol.NewValueFromBytes(lineprotocol.String, e.text)
	if err != nil {
		return v, err.Error()
	}
	return v, ""
}

// value makes a value of a text that is known to be one.
func (e *Encoder) value(s string) lineprotocol.Value {
	v, _ := lineprotocol.StringValue(s)
	return v
}

// controls says that a text has control characters: line protocol has no form
// for them that every server reads alike.
func controls(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] == 0x7f {
			return true
		}
	}
	return false
}

// badID says why an id cannot be a tag that comes back as it is. What devices
// and sites may be called is narrower, and seen to by the intake and by the
// check of the site file.
func badID(id string) string {
	switch {
	case id == "":
		return "is missing"
	case len(id) > MaxID && utf8.RuneCountInString(id) > MaxID:
		return fmt.Sprintf("is longer than %d characters", MaxID)
	case !utf8.ValidString(id):
		return "is not text"
	case controls(id):
		return "has control characters"
	case strings.ContainsRune(id, '\\'):
		return `has a \, which does not come back as it is`
	}
	return ""
}

func refuse(what, id string, q reading.Quantity, why string) error {
	if q != "" {
		return fmt.Errorf("%s %s of %s %w: %s", what, q, shorten(id), ErrRefused, why)
	}
	return fmt.Errorf("%s %s %w: %s", what, shorten(id), ErrRefused, why)
}

// shorten makes a text fit for a message.
func shorten(s string) string {
	const most = 64
	s = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '.'
	}, strings.ToValidUTF8(s, "."))
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "..."
}

// Append appends one reading as a line. Who writes many takes an [Encoder],
// which keeps increments of one millisecond apart as well.
func Append(dst []byte, site string, r reading.Reading) ([]byte, error) {
	return NewEncoder(site).Reading(dst, &r)
}

// AppendFact appends one fact as a line.
func AppendFact(dst []byte, site string, f reading.Fact) ([]byte, error) {
	return NewEncoder(site).Fact(dst, &f)
}

// AppendRange appends to the change feed; see [Encoder.Range].
func AppendRange(dst []byte, site string, ch reading.Channel, from, to, sent time.Time) ([]byte, error) {
	return NewEncoder(site).Range(dst, ch, from, to, sent)
}

// AppendCalibration appends a calibration as a line.
func AppendCalibration(dst []byte, site string, c Calibration) ([]byte, error) {
	return NewEncoder(site).Calibration(dst, c)
}
