package schema

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Record is a point as it comes back: its series, its time, and the fields that
// were set. A query that gives a row per field sets one after the other.
type Record struct {
	Measurement           string
	Site, Device, Channel string
	Time                  time.Time

	value             float64
	lag, flags, exact int64
	from, to, stored  int64
	until, upto       int64
	person            bool
	key, id, body     string
	version, learned  string
	has               has
}

type has uint16

const (
	hasValue has = 1 << iota
	hasLag
	hasFlags
	hasExact
	hasKey
	hasID
	hasBody
	hasFrom
	hasTo
	hasStored
	hasVersion
	hasLearned
	hasUntil
	hasUpto
)

// SetTag sets a tag. Others than ours are passed over: whoever runs the server
// may add some.
func (r *Record) SetTag(name, value string) {
	switch name {
	case "site":
		r.Site = value
	case "device":
		r.Device = value
	case "channel":
		r.Channel = value
	}
}

// Set sets a field: float64, int64 or string, as the table says. Others than
// ours are passed over.
func (r *Record) Set(field string, value any) error {
	var text *string
	var whole *int64
	var bit has
	switch field {
	case "lag_ms":
		whole, bit = &r.lag, hasLag
	case "flags":
		whole, bit = &r.flags, hasFlags
	case "exact":
		whole, bit = &r.exact, hasExact
	case "from_ms":
		whole, bit = &r.from, hasFrom
	case "to_ms":
		whole, bit = &r.to, hasTo
	case "upto_ms":
		whole, bit = &r.upto, hasUpto
	case "until_ms":
		whole, bit = &r.until, hasUntil
	case "person":
		if r.Measurement != Fact {
			return nil
		}
		var ok bool
		if r.person, ok = value.(bool); !ok {
			return r.wrong(field, value, Boolean)
		}
		return nil
	case "stored_ms":
		whole, bit = &r.stored, hasStored
	case "key":
		text, bit = &r.key, hasKey
	case "id":
		text, bit = &r.id, hasID
	case "body":
		text, bit = &r.body, hasBody
	case "version":
		text, bit = &r.version, hasVersion
	case "learned":
		text, bit = &r.learned, hasLearned
	default:
		if field != r.Channel {
			return nil
		}
		v, ok := value.(float64)
		if !ok {
			return r.wrong(field, value, Float)
		}
		r.value, r.has = v, r.has|hasValue
		return nil
	}
	ok := false
	if whole != nil {
		if *whole, ok = value.(int64); !ok {
			return r.wrong(field, value, Integer)
		}
	} else if *text, ok = value.(string); !ok {
		return r.wrong(field, value, Text)
	}
	r.has |= bit
	return nil
}

func (r *Record) wrong(field string, value any, want Kind) error {
	return fmt.Errorf("field %s of measurement %s is a %T; it should be a %s", field, r.Measurement, value, want)
}

// Foreign says that a point has none of the fields by which ours are known:
// somebody else wrote it. Once the newest of our points can be read, none of those
// before it lacks them.
func (r *Record) Foreign() bool {
	known := hasFlags
	switch r.Measurement {
	case Fact:
		known = hasID | hasBody
	case Late:
		known = hasFrom | hasTo
	case Calibrated:
		known = hasVersion | hasBody
	case Forwarded:
		known = hasUpto
	}
	return r.has&known == 0
}

// ReadingOf makes a reading of a record of one of the kinds of readings.
func ReadingOf(r *Record) (reading.Reading, error) {
	q := reading.Quantity(r.Measurement + "." + r.Channel)
	if _, _, ok := measurementOf(q); !ok {
		return reading.Reading{}, r.fault("there is no such quantity")
	}
	switch {
	case r.has&hasValue == 0:
		return reading.Reading{}, r.fault("its value is missing")
	case r.has&hasLag == 0:
		return reading.Reading{}, r.fault("its lag_ms is missing")
	case r.has&hasFlags == 0:
		return reading.Reading{}, r.fault("its flags are missing")
	case r.Device == "":
		return reading.Reading{}, r.fault("its device is missing")
	}
	at := floorMilli(r.Time)
	flags := reading.Flags(r.flags)
	out := reading.Reading{
		Channel: reading.Channel{Device: r.Device, Quantity: q}, At: time.UnixMilli(at).UTC(), Received: time.UnixMilli(at + r.lag).UTC(),
		Flags: flags, FromDevice: flags&reading.ReceiveTime == 0, Value: r.value,
	}
	if q.Exact() {
		// A field that is not written any more stays with its point: what it
		// says counts only as long as the flag asks for it.
		if flags&reading.Inexact != 0 && r.has&hasExact != 0 && float64(r.exact) == r.value {
			out.Count = r.exact
		} else if r.value < -exactFloat || r.value > exactFloat {
			return reading.Reading{}, r.fault("a count beyond 2^53 without its field exact")
		} else {
			out.Count = int64(r.value)
		}
		if float64(out.Count) != r.value {
			return reading.Reading{}, r.fault("its count is not whole")
		}
	}
	if q == reading.PulseIncrement {
		if r.has&hasKey == 0 {
			return reading.Reading{}, r.fault("its key is missing")
		}
		key, err := unquote(r.key)
		if err != nil {
			return reading.Reading{}, r.fault("its key cannot be read: " + err.Error())
		}
		out.Key = key
	}
	return out, nil
}

// FactOf makes a fact of a record of measurement fact.
func FactOf(r *Record) (reading.Fact, error) {
	if r.Measurement != Fact || r.has&hasBody == 0 {
		return reading.Fact{}, r.fault("it is not a fact with a body")
	}
	var f reading.Fact
	if err := json.Unmarshal([]byte(r.body), &f); err != nil {
		return reading.Fact{}, r.fault("its body cannot be read: " + err.Error())
	}
	if f.At.UnixMilli() != floorMilli(r.Time) {
		return reading.Fact{}, r.fault("its body says another time")
	}
	return f, nil
}

// StoredFactOf makes a fact of a record of measurement fact, with what the
// journal knew of it besides.
func StoredFactOf(r *Record) (reading.StoredFact, error) {
	f, err := FactOf(r)
	out := reading.StoredFact{Fact: f, Until: f.At, Person: r.person}
	if r.has&hasUntil != 0 {
		out.Until = time.UnixMilli(r.until).UTC()
	}
	return out, err
}

// Changed is an entry of the change feed: what is to be read again.
type Changed struct {
	reading.Channel // of facts the quantity is FactChannel, without a device
	From, To        time.Time
	Sent            time.Time
}

// ChangedOf makes an entry of the change feed of a record of measurement late.
func ChangedOf(r *Record) (Changed, error) {
	if r.Measurement != Late || r.has&(hasFrom|hasTo) != hasFrom|hasTo {
		return Changed{}, r.fault("it is not an entry of the change feed with from_ms and to_ms")
	}
	return Changed{
		Channel: reading.Channel{Device: r.Device, Quantity: reading.Quantity(r.Channel)},
		From:    time.UnixMilli(r.from).UTC(), To: time.UnixMilli(r.to).UTC(), Sent: r.Time.UTC(),
	}, nil
}

// ForwardedOf gives up to when a record of measurement forwarded says that all
// has been written.
func ForwardedOf(r *Record) (time.Time, error) {
	if r.Measurement != Forwarded || r.has&hasUpto == 0 {
		return time.Time{}, r.fault("it does not say how far a gateway has forwarded")
	}
	return time.UnixMilli(r.upto).UTC(), nil
}

// CalibrationOf makes a calibration of a record of measurement calibration.
func CalibrationOf(r *Record) (Calibration, error) {
	const all = hasVersion | hasLearned | hasStored | hasBody
	if r.Measurement != Calibrated || r.has&all != all {
		return Calibration{}, r.fault("it is not a calibration with version, learned, stored_ms and body")
	}
	version, err := unquote(r.version)
	if err != nil {
		return Calibration{}, r.fault("its version cannot be read: " + err.Error())
	}
	learned, err := civil.Parse(r.learned)
	if err != nil {
		return Calibration{}, r.fault("its date cannot be read: " + err.Error())
	}
	return Calibration{Version: version, Learned: learned, Stored: time.UnixMilli(r.stored).UTC(), Body: []byte(r.body)}, nil
}

func (r *Record) fault(why string) error {
	return fmt.Errorf("point of %s, device %q, channel %q at %s does not fit the schema: %s",
		shorten(r.Measurement), shorten(r.Device), shorten(r.Channel), r.Time.UTC().Format(time.RFC3339Nano), why)
}

// floorMilli takes off the number that keeps ids apart; times before 1970 are
// not written.
func floorMilli(t time.Time) int64 { return t.UnixMilli() }

// unquote is the reverse of how ids are written.
func unquote(s string) (string, error) {
	if !strings.HasPrefix(s, `"`) {
		return s, nil
	}
	var out string
	err := json.Unmarshal([]byte(s), &out)
	return out, err
}

// Parse reads lines as they are written here, for tests and for what was kept
// aside; times are in nanoseconds.
func Parse(lines []byte, each func(*Record) error) error {
	dec := lineprotocol.NewDecoderWithBytes(lines)
	for dec.Next() {
		r, err := parse(dec)
		if err == nil {
			err = each(r)
		}
		if err != nil {
			return fmt.Errorf("read line protocol: %w", err)
		}
	}
	return dec.Err()
}

func parse(dec *lineprotocol.Decoder) (*Record, error) {
	name, err := dec.Measurement()
	if err != nil {
		return nil, err
	}
	r := &Record{Measurement: string(name)}
	for {
		key, value, err := dec.NextTag()
		if err != nil {
			return nil, err
		}
		if key == nil {
			break
		}
		r.SetTag(string(key), string(value))
	}
	for {
		key, value, err := dec.NextField()
		if err != nil {
			return nil, err
		}
		if key == nil {
			break
		}
		if err := r.Set(string(key), value.Interface()); err != nil {
			return nil, err
		}
	}
	r.Time, err = dec.Time(lineprotocol.Nanosecond, time.Time{})
	if err == nil && r.Time.IsZero() {
		err = errors.New("a line without a time")
	}
	return r, err
}
