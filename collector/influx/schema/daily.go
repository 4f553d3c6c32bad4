package schema

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Daily appends a row of a daily measurement as a line: what JSON makes of it is
// an object whose names are those of the table. A name that the table does not
// have, or a value of another kind, is refused, so that no figure gets lost on
// the way unseen. The time of the line is the instant at which the civil day
// begins in the site's zone.
//
// A day may be written again, with less known than before, and InfluxDB keeps
// fields that a later point leaves out. So a text that is absent, null or empty is
// written as [Nothing], and the figures that are absent are named in the
// field missing.
//
// The row's own names of ids become the tags: point; for [Usage] dispenser, or
// machine where there is none; for [Alarm] device or gateway. Where the table has
// a date with its days to it, those are written beside the date.
func (e *Encoder) Daily(dst []byte, measurement string, row any, date civil.Date, loc *time.Location) ([]byte, error) {
	m := find(measurement)
	if m == nil || !m.Daily {
		return dst, refuse("row", measurement, "", "there is no such daily measurement")
	}
	values, err := namesOf(row)
	if err != nil {
		return dst, refuse("row of", measurement, "", err.Error())
	}
	if why := badID(e.site); why != "" {
		return dst, refuse("row of", measurement, "", "the site's id "+why)
	}
	tags := tagsOf(measurement, values)
	for name := range values {
		if c, ok := m.Column(name); !ok || c.Kind == Tag || c.daysTo || name == missingField.Name {
			return dst, refuse("row of", measurement, "", fmt.Sprintf("the schema has no field %q", shorten(name)))
		}
	}
	values[dateField.Name] = date.String()

	e.enc.SetBuffer(dst)
	e.enc.StartLine(measurement)
	subject := ""
	for _, c := range m.Columns {
		if c.Kind != Tag {
			continue
		}
		id := tags[c.Name]
		if c.Name == siteTag.Name {
			id = e.site
		}
		if id == "" && measurement == Alarm {
			continue // it is about something else
		}
		if why := badID(id); why != "" {
			return dst, refuse("row of", measurement, "", fmt.Sprintf("its %s %q %s", c.Name, shorten(id), why))
		}
		subject += "/" + id
		e.enc.AddTag(c.Name, id)
	}
	e.text = e.text[:0]
	for _, c := range m.Columns {
		switch {
		case c.Kind == Tag || c.Name == missingField.Name || c.daysTo:
			continue
		case values[c.Name] == nil && c.Kind == Text:
			e.enc.AddField(c.Name, plain(""))
			if c.days != "" {
				e.miss(c.days)
			}
			continue
		case values[c.Name] == nil:
			e.miss(c.Name)
			continue
		}
		v, err := c.value(values[c.Name])
		if err != nil {
			return dst, refuse("row of", measurement+subject, "", err.Error())
		}
		e.enc.AddField(c.Name, v)
		if c.days == "" {
			continue
		}
		to, err := civil.Parse(values[c.Name].(string)) // c.value saw that it is one
		if err != nil {
			return dst, refuse("row of", measurement+subject, "", c.Name+": "+err.Error())
		}
		away, _ := lineprotocol.FloatValue(float64(to - date))
		e.enc.AddField(c.days, away)
	}
	e.enc.AddField(missingField.Name, plain(string(e.text)))
	at := date.Start(loc)
	if measurement == Alarm {
		id, _ := values["id"].(string)
		if id == "" {
			return dst, refuse("row of", measurement+subject, "", "its id is missing")
		}
		at = at.Add(e.slot(reading.Channel{Device: subject, Quantity: reading.Quantity(measurement)}, at.UnixMilli(), id))
	}
	return e.end(dst, at)
}

// miss notes the name of a figure that is not known.
func (e *Encoder) miss(name string) {
	if len(e.text) > 0 {
		e.text = append(e.text, ' ')
	}
	e.text = append(e.text, name...)
}

// AppendDaily appends a row of a daily measurement; see [Encoder.Daily].
func AppendDaily(dst []byte, site, measurement string, row any, date civil.Date, loc *time.Location) ([]byte, error) {
	return NewEncoder(site).Daily(dst, measurement, row, date, loc)
}

// namesOf gives what JSON makes of a row.
func namesOf(row any) (map[string]any, error) {
	text, err := json.Marshal(row)
	if err != nil {
		return nil, err
	}
	var out map[string]any
	if err := json.Unmarshal(text, &out); err != nil {
		return nil, fmt.Errorf("it is no object: %w", err)
	}
	if out == nil {
		return nil, fmt.Errorf("it is empty")
	}
	return out, nil
}

// tagsOf takes the ids that become tags out of a row.
func tagsOf(measurement string, values map[string]any) map[string]string {
	take := func(name string) string {
		id, _ := values[name].(string)
		delete(values, name)
		return id
	}
	tags := map[string]string{}
	switch measurement {
	case Usage:
		tags["channel"], tags["device"] = "dispenser", take("dispenser")
		if tags["device"] == "" {
			tags["channel"] = "machine"
			tags["device"], _ = values["machine"].(string)
		}
		delete(values, "date") // it is the day's
	case Alarm:
		tags["point"], tags["device"] = take("point"), take("device")
		if gateway := take("gateway"); tags["device"] == "" {
			tags["device"] = gateway
		}
	default:
		tags["point"] = take("point")
	}
	return tags
}

// value makes a field's value of what JSON gave.
func (c *Column) value(v any) (lineprotocol.Value, error) {
	switch x := v.(type) {
	case float64:
		if c.Kind == Float {
			f, ok := lineprotocol.FloatValue(x)
			if ok {
				return f, nil
			}
		}
	case bool:
		if c.Kind == Boolean {
			return lineprotocol.BoolValue(x), nil
		}
	case string:
		if c.Kind == Text && !c.list {
			return plain(x), nil
		}
	case []any:
		if c.Kind == Text && c.list {
			var parts []string
			for _, p := range x {
				s, ok := p.(string)
				if !ok {
					return lineprotocol.Value{}, fmt.Errorf("%s is a list with a %T in it", c.Name, p)
				}
				parts = append(parts, s)
			}
			return plain(strings.Join(parts, "; ")), nil
		}
	}
	return lineprotocol.Value{}, fmt.Errorf("%s is a %T, and the schema says %s", c.Name, v, c.Kind)
}

// Nothing stands where a text is empty or not known. It must not be the empty
// string: InfluxDB 2.8.0 loses the first empty string that follows others when
// it reads a field, and gives what follows at the times before (Flux 0.196.1,
// array.StringBuilder: an empty string is a nil slice to it).
const Nothing = "-"

// plain makes a value of a text for people: on one line, and not too long.
func plain(s string) lineprotocol.Value {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "."))
	if len(s) > MaxText {
		s = strings.ToValidUTF8(s[:MaxText], "")
	}
	if s == "" {
		s = Nothing
	}
	v, _ := lineprotocol.StringValue(s)
	return v
}

// DailyNames lists the daily measurements.
func DailyNames() []string {
	var out []string
	for _, m := range measurements {
		if m.Daily {
			out = append(out, m.Name)
		}
	}
	return slices.Clip(out)
}
