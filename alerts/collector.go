package alerts

import (
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/forecast"
)

// Collector is what the collector says of itself and of what it is sent: values
// only, as of one instant.
type Collector struct {
	// Now is by the clock of the checks, which need not be that of the watch.
	Now   time.Time
	Parts []Part
	// Doubts are of devices of the register; DoubtsKnown says that they were
	// asked for: where not, alarms about them stay as they are.
	Doubts      []Doubt
	DoubtsKnown bool
}

// Part is one part of the collector.
type Part struct {
	health.Check
	// Vital says that messages are not received or not stored while it is bad.
	Vital bool
	// Warns says that a warning that lasts asks for somebody, too.
	Warns bool
}

// Doubt is a suspicion about the readings of a device that still stands.
type Doubt struct {
	reading.Notice
	Try string
}

// How long a check must stand before it is an alarm: reconnecting takes
// seconds, and most warnings end by themselves within the hour. Judgement.
const (
	badFor  = time.Minute
	warnFor = time.Hour
)

// EvaluateCollector looks at the collector alone, at a time. It needs no
// forecast, so that it works where none can be made, and costs little. What
// moved is on disk when it returns; a failed evaluation changes nothing.
func (w *Watch) EvaluateCollector(ctx context.Context, at time.Time, c Collector) ([]alarm.Transition, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	site := w.site()
	e := newEvaluation(site, forecast.Fleet{At: at}, nil)
	found := e.troubles(c, w.alarms)
	looked := func(t alarm.Type) bool { return t == alarm.CollectorTrouble }
	if c.DoubtsKnown {
		found = append(found, e.doubts(c.Doubts, w.alarms)...)
		looked = ofCollector
	}
	s := w.stage()
	for _, f := range found {
		s.step(f.key, f.observation, e.at)
	}
	s.forget(found, e.at, looked)
	return s.commit(ctx)
}

// ofCollector says that a type is looked at without a forecast.
func ofCollector(t alarm.Type) bool {
	return t == alarm.CollectorTrouble || t == alarm.DoubtfulData
}

// troubles builds the alarms of the collector's parts, by name.
func (e *evaluation) troubles(c Collector, known map[alarm.Key]alarm.Alarm) []finding {
	var out []finding
	listed := map[alarm.Key]bool{}
	for _, p := range c.Parts {
		f := e.trouble(p, c.Now, known[alarm.Key{Type: alarm.CollectorTrouble, Subject: p.Name}])
		listed[f.key] = true
		out = worth(out, f, known)
	}
	// A part that is gone, as a broker that the site file names no more, is in
	// no trouble; nor is one that has not said yet how it is after a start.
	for _, key := range e.kept(alarm.CollectorTrouble, known) {
		if !listed[key] {
			out = append(out, finding{key, alarm.Observation{Says: alarm.Clear, Evidence: e.at}})
		}
	}
	return out
}

// keptFor is how long an ended alarm of the collector is remembered: silences
// that it explains end later than itself.
const keptFor = 14 * 24 * time.Hour

// kept gives the known keys of a type that are not to be forgotten, in order.
func (e *evaluation) kept(t alarm.Type, known map[alarm.Key]alarm.Alarm) []alarm.Key {
	var out []alarm.Key
	for key, a := range known {
		if key.Type == t && (a.Open() || a.Shelved != nil || a.OutOfService != nil || e.at.Sub(a.Ended) < keptFor) {
			out = append(out, key)
		}
	}
	slices.SortFunc(out, func(a, b alarm.Key) int { return strings.Compare(a.Subject, b.Subject) })
	return out
}

// trouble looks at one part; before is what is known of it.
func (e *evaluation) trouble(p Part, now time.Time, before alarm.Alarm) finding {
	f := finding{key: alarm.Key{Type: alarm.CollectorTrouble, Subject: p.Name}}
	o := &f.observation
	o.Says, o.Evidence = alarm.Clear, e.at
	limit := badFor
	switch {
	case p.Level == health.Ok || p.Level == health.Warn && !p.Warns:
		return f
	case p.Level == health.Warn:
		limit = warnFor
	}
	stood := max(now.Sub(p.Since), 0)
	if stood <= limit {
		o.Says = alarm.Between // it may go up and down: an open alarm stays
		return f
	}
	o.Says, o.Since = alarm.Set, e.at.Add(-stood)
	o.Priority, o.Seen.PriorityReason = alarm.Low, "low: messages are received and stored"
	values := map[string]string{"part": p.Name, "what": p.What, "try": p.Try}
	if p.Vital && p.Level == health.Bad {
		o.Priority, o.Seen.PriorityReason = alarm.Medium, "medium: messages are not received or not stored"
		values["harm"] = "Messages are not received or not stored, forecasts go on by the usual duty only, and silence and faults of devices stay unseen"
	}
	if before.Condition && o.Priority.Rank() >= before.Priority.Rank() && unnumbered(p.What) == unnumbered(before.Seen.Cause) {
		// Only figures differ, such as how long it lasts, and they would be
		// written to disk at every look.
		o.Seen = before.Seen
		return f
	}
	o.Seen.Part, o.Seen.Limit, o.Seen.Value, o.Seen.Unit = p.Name, limit.Minutes(), limit.Minutes(), "min"
	o.Seen.Detail = fmt.Sprintf("%s since %s: %s", p.Level, e.clock(o.Since), p.What)
	d, _ := alarm.Lookup(alarm.CollectorTrouble)
	e.texts(&d, &o.Seen, values)
	if p.What != "" {
		o.Seen.Cause = p.What // known, not guessed
	}
	return f
}

var figure = regexp.MustCompile(`\d[\w.]*`)

func unnumbered(text string) string { return figure.ReplaceAllString(text, "#") }

// doubts builds the alarms of devices whose readings are in doubt.
func (e *evaluation) doubts(all []Doubt, known map[alarm.Key]alarm.Alarm) []finding {
	by := map[string][]Doubt{}
	for _, d := range all {
		if e.site.Machine(d.Device) != nil || e.site.Dispenser(d.Device) != nil {
			by[d.Device] = append(by[d.Device], d)
		}
	}
	var out []finding
	for _, device := range slices.Sorted(maps.Keys(by)) {
		out = worth(out, e.doubt(device, by[device]), known)
	}
	for _, key := range e.kept(alarm.DoubtfulData, known) {
		registered := e.site.Machine(key.Subject) != nil || e.site.Dispenser(key.Subject) != nil
		if by[key.Subject] == nil && registered {
			out = append(out, finding{key, alarm.Observation{Says: alarm.Clear, Evidence: e.at}})
		}
	}
	return out
}

func (e *evaluation) doubt(device string, of []Doubt) finding {
	f := finding{key: alarm.Key{Type: alarm.DoubtfulData, Subject: device}}
	slices.SortStableFunc(of, func(a, b Doubt) int { return a.At.Compare(b.At) })
	o := &f.observation
	o.Says, o.Since, o.Evidence = alarm.Set, of[0].At, e.at
	o.Priority, o.Seen.PriorityReason = alarm.Low, "low: a point that nears its empty date has an alarm of its own"
	var said, try []string
	for _, d := range of {
		said = append(said, fmt.Sprintf("%s (%s)", d.Words, d.Evidence))
		if d.Try != "" && !slices.Contains(try, d.Try) {
			try = append(try, d.Try)
		}
	}
	values := map[string]string{
		"doubts": of[0].Words, "device": device, "remedy": strings.Join(try, "; "), "from": (e.site.Today(of[0].At) - 1).Format("2006-01-02"), // it takes some readings to be seen
	}
	o.Seen.Device = device
	if m := e.site.Machine(device); m != nil {
		o.Seen.Machine = device
		values["device"] = machineName(e.site, device)
		values["point"] = "points at " + device
	} else if d := e.site.Dispenser(device); d != nil && e.site.Point(d.Point) != nil {
		o.Seen.Point, values["point"] = d.Point, d.Point
		o.Seen.Machine = e.site.Point(d.Point).Machine
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = float64(len(of)), 1, "{suspicion}"
	o.Seen.Detail = strings.Join(said, "; ")
	d, _ := alarm.Lookup(alarm.DoubtfulData)
	e.texts(&d, &o.Seen, values)
	if of[0].Words != "" {
		o.Seen.Cause = of[0].Words
	}
	return f
}

// span is a stretch of time; one that lasts has no end.
type span struct{ from, to time.Time }

// deafness gives the times in which messages were not received or not stored,
// by the alarms about that.
func deafness(known map[alarm.Key]alarm.Alarm) []span {
	var out []span
	for key, a := range known {
		// Its priority says that it was a vital part. The first of these alarms
		// that matches decides: their order does not matter.
		if key.Type != alarm.CollectorTrouble || a.Priority.Rank() > alarm.Medium.Rank() || a.Began.IsZero() {
			continue
		}
		s := span{from: a.Began}
		if !a.Condition {
			s.to = a.Ended
		}
		out = append(out, s)
	}
	return out
}

// deaf says that a silence is that of this program: the device was heard until
// about when messages were not received any more, and has had no time yet to be
// heard after it.
func (e *evaluation) deaf(seen time.Time, limit time.Duration) bool {
	// What was on its way then may be stored with a time a little later.
	const slack = 2 * badFor
	return slices.ContainsFunc(e.deafness, func(s span) bool {
		return !seen.Before(s.from.Add(-limit)) && !seen.After(s.from.Add(slack)) && (s.to.IsZero() || e.at.Sub(s.to) <= limit)
	})
}
