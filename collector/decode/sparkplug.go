package decode

import (
	"math"
	"strconv"
	"strings"
	"time"

	"dwindle/collector/sparkplug/wire"
)

// sparkplugForm is the binary payload of Sparkplug B (Eclipse Foundation,
// Sparkplug Specification, version 3.0.0, 2022): a metric is an item under its
// name.
//
// A metric that comes with an alias alone has no name here and is left out:
// names and datatypes are what the births of its session said, so a host of
// its own (collector/sparkplug) fills them in before messages come this way.
var sparkplugForm = form{name: "sparkplug", recognises: recognisesSparkplug, read: readSparkplug, partial: partialSparkplug}

// partialSparkplug: births hold every metric, all else what has changed.
func partialSparkplug(topic string) bool {
	levels := strings.SplitN(topic, "/", 4)
	return len(levels) == 4 && levels[2] != "NBIRTH" && levels[2] != "DBIRTH"
}

// recognisesSparkplug goes by the topic, <namespace>/<group>/<type>/<edge>:
// the payload has no mark of its own. Commands are no data.
func recognisesSparkplug(topic string, _ []byte) bool {
	levels := strings.SplitN(topic, "/", 4)
	return len(levels) == 4 && levels[0] == "spBv1.0" && sparkplugData(levels[2])
}

func sparkplugData(word string) bool {
	switch word {
	case "NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH":
		return true
	}
	return false
}

func readSparkplug(in input) ([]item, *Kept) {
	p, err := wire.Decode(in.payload)
	if err != nil {
		return nil, &Kept{Reason: NotSparkplug, Detail: err.Error()}
	}
	items := make([]item, 0, len(p.Metrics))
	for _, m := range p.Metrics {
		if m.Name == "" || m.Transient {
			continue
		}
		it := item{name: m.Name}
		it.value, it.bad = metricValue(m)
		if m.Quality != nil && *m.Quality != qualityGood {
			it.bad = "its quality is " + strconv.FormatInt(*m.Quality, 10) + ", and only 192 is good"
		}
		// The metric's time is that of the reading, the payload's that of
		// sending (specification, chapter 6). What the edge node has buffered
		// (is_historical) has one of its own and is put into its place by it, as
		// are values that come late by any other way.
		at := m.Time
		if at == nil {
			at = p.Time
		}
		it.when = sparkplugTime(at, in.received)
		items = append(items, it)
	}
	return items, nil
}

// qualityGood is the value of the property Quality that says so; 0 is bad and
// 500 stale (specification, chapter 6, "Quality Codes").
const qualityGood = 192

// metricValue gives a metric's value as if it had been written in JSON, or why
// it must not be used. No value is null, never 0.
func metricValue(m wire.Metric) (v value, bad string) {
	v = value{kind: nullValue, raw: []byte("null")}
	refuse := func(why string) (value, string) { return v, why }
	if m.Null || m.Value.Field == wire.NoField {
		return v, ""
	}
	switch d := m.Datatype; {
	case d >= wire.Int8 && d <= wire.UInt64, d == wire.DateTime:
		n, u, err := m.Integer()
		if err != nil {
			return refuse(err.Error())
		}
		if d <= wire.Int64 {
			return value{kind: numberValue, raw: strconv.AppendInt(nil, n, 10)}, ""
		}
		return value{kind: numberValue, raw: strconv.AppendUint(nil, u, 10)}, ""
	case d == wire.DataSet || d == wire.Bytes || d == wire.File || d >= wire.Template:
		return refuse("a value of " + d.String() + " is not read")
	}
	// The others show in the field they travel in; a datatype that was left out
	// is then not needed.
	fits := func(d ...wire.Datatype) bool {
		for _, one := range append(d, wire.NoDatatype) {
			if m.Datatype == one {
				return true
			}
		}
		return false
	}
	switch f := m.Value.Field; {
	case f == wire.FloatField && fits(wire.Float, wire.Double):
		return real(m.Value.Real, 32), ""
	case f == wire.DoubleField && fits(wire.Float, wire.Double):
		return real(m.Value.Real, 64), ""
	case f == wire.BooleanField && fits(wire.Boolean):
		return value{kind: boolValue, raw: strconv.AppendBool(nil, m.Value.Bits != 0)}, ""
	case f == wire.StringField && fits(wire.String, wire.Text, wire.UUID):
		return value{kind: textValue, raw: strconv.AppendQuote(nil, m.Value.Text), text: m.Value.Text}, ""
	case m.Datatype == wire.NoDatatype:
		return refuse("its datatype is not known: it is what the birth message said")
	}
	return refuse("is " + m.Datatype.String() + " and does not carry one")
}

// real writes a number with the fewest digits that give it again in its own
// width: a Float of 12.3 is not 12.300000190734863.
func real(x float64, width int) value {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return value{kind: nullValue, raw: []byte("null")}
	}
	return value{kind: numberValue, raw: strconv.AppendFloat(nil, x, 'g', -1, width)}
}

// sparkplugTime reads a time in ms since 1970; nil: none was sent. The unit is
// given, so nothing is guessed.
func sparkplugTime(ms *uint64, received time.Time) *moment {
	if ms == nil || *ms == 0 {
		return nil
	}
	raw := strconv.FormatUint(*ms, 10)
	at := time.UnixMilli(int64(min(*ms, 1<<52))).UTC()
	m := moment{at: at, fromDevice: true}
	switch {
	case at.Year() < EarliestYear:
		m = moment{at: received, raw: raw, hint: "the device's clock is not set (time before 2020); the receive time was used"}
	case at.After(received.Add(FutureSlack)):
		m = moment{at: received, raw: raw, hint: "the device's clock is ahead by " + round(at.Sub(received)) + "; the receive time was used"}
	}
	return &m
}
