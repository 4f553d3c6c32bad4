package alarm

import (
	"fmt"
	"slices"
	"time"
)

// Says is what an evaluation says about a condition.
type Says int8

// What an evaluation can say. Limits for setting and clearing differ, so there
// is a band in which the condition stays what it was.
const (
	Unknown Says = iota // no evidence: everything stays, delays stand still
	Clear               // beyond the clearing limit
	Between             // between the limits: delays begin again
	Set                 // beyond the setting limit
)

// Observation is what one evaluation finds out about one key.
type Observation struct {
	Says Says
	// Immediate passes the on-delay by.
	Immediate bool
	// Episode, where it differs from that of the open occurrence, says that
	// the old condition is gone for certain (a new fill, another direction).
	Episode string
	// Latching asks that the occurrence stays listed until a person resets it.
	Latching bool
	// Since is when the condition began by the evidence; zero: when it was
	// first observed.
	Since time.Time
	// Evidence is the time of the newest reading that the observation rests
	// on; used by types whose delays count new evidence only.
	Evidence time.Time
	// Rules are the suppression rules that apply now.
	Rules    []Rule
	Priority Priority
	Seen     Seen
}

// Delays says how many successive evaluations confirm a condition.
type Delays struct {
	On, Off int
	// Spacing is the least time between two evaluations that both count: a
	// second look at the same data confirms nothing.
	Spacing time.Duration
	// NewEvidence lets a clearing evaluation count only if it rests on a newer
	// reading than the one before.
	NewEvidence bool
}

// Timing holds the times of the state machine. Zero values switch off.
type Timing struct {
	Escalate map[Priority]time.Duration // unacknowledged for longer: next recipient
	ReAlarm  map[Priority]time.Duration // acknowledged for longer, still there: a new occurrence
	// Relatch is how long after its clearing a latched condition that comes
	// back is the same occurrence.
	Relatch time.Duration
	// MaxShelve bounds shelving.
	MaxShelve map[Priority]time.Duration
}

// DefaultTiming is for a plant whose alarm list is looked at once or twice a
// day. The figures are our choice; common practice for control rooms is
// minutes, where ours are days.
func DefaultTiming() Timing {
	const day = 24 * time.Hour
	return Timing{
		Escalate:  map[Priority]time.Duration{High: 4 * time.Hour, Medium: day, Low: 7 * day},
		ReAlarm:   map[Priority]time.Duration{High: 3 * day},
		Relatch:   day,
		MaxShelve: map[Priority]time.Duration{High: 3 * day, Medium: 14 * day, Low: 30 * day},
	}
}

// Result is one step of one alarm.
type Result struct {
	Alarm       Alarm
	Transitions []Transition
	// Closed is the occurrence that made room for a new one, as it ended; nil
	// if none did.
	Closed *Alarm
}

// machine carries one step.
type machine struct {
	Result
	at    time.Time
	newID string
}

// Step moves an alarm by one evaluation at a time. newID names the occurrence
// if one begins; at most one does in a step. The alarm given is not changed.
func Step(a Alarm, o Observation, d Delays, t Timing, at time.Time, newID string) Result {
	m := &machine{Result: Result{Alarm: a}, at: at.UTC(), newID: newID}
	m.rules(o.Rules)
	m.condition(o, d, t)
	m.endShelving()
	m.priority(o)
	m.remind(t)
	return m.Result
}

// move records a transition around a change of the facts.
func (m *machine) move(trigger Trigger, notice Notice, by, note string, change func(a *Alarm)) {
	from := m.Alarm.State()
	change(&m.Alarm)
	m.Transitions = append(m.Transitions, Transition{
		At: m.at, Key: m.Alarm.Key, Occurrence: m.Alarm.Occurrence, From: from, To: m.Alarm.State(),
		Trigger: trigger, Notice: notice, Priority: m.Alarm.Priority, By: by, Note: note,
	})
}

// hidden says that people are not to be told now.
func (a *Alarm) hidden() bool {
	return a.Shelved != nil || len(a.Suppressed) > 0 || a.OutOfService != nil
}

// rules takes up the suppression rules. When the last one ends, an occurrence
// that was never announced begins its on-delay again before it is; one that
// was announced before goes on as it was, for nothing about it is new.
func (m *machine) rules(now []Rule) {
	now = slices.Compact(slices.Sorted(slices.Values(now)))
	a := &m.Alarm
	if slices.Equal(now, a.Suppressed) {
		return
	}
	had := len(a.Suppressed) > 0
	switch {
	case !a.Open():
		a.Suppressed = now
		if had && len(now) == 0 {
			a.Run = Run{} // the on-delay begins again
		}
	case len(now) > 0 && !had:
		m.move(SuppressBegan, NoNotice, System, words(now), func(a *Alarm) { a.Suppressed = now; a.Settling = time.Time{} })
	case len(now) > 0:
		a.Suppressed = now
	default:
		m.move(SuppressEnded, NoNotice, System, "", func(a *Alarm) {
			a.Suppressed = nil
			if a.Condition && !a.Announcing() {
				a.Settling = m.at
				a.Run = Run{}
			}
		})
	}
}

func words(rules []Rule) string {
	out := ""
	for i, r := range rules {
		if i > 0 {
			out += "; "
		}
		out += string(r) + " " + r.Words()
	}
	return out
}

func (m *machine) condition(o Observation, d Delays, t Timing) {
	a := &m.Alarm
	if a.Condition && o.Says != Unknown && o.Episode != a.Episode {
		// The on-delay guards against noise, and this is none: the old
		// condition cannot come back.
		a.Run = Run{}
		m.clear(m.at, "what it was about is over")
	}
	switch {
	case o.Says == Unknown:
		return
	case a.Condition && o.Says == Clear:
		if m.counts(false, d, o) >= max(d.Off, 1) {
			at := a.Run.First
			a.Run = Run{}
			m.clear(at, "")
		}
		return
	case a.Condition:
		m.see(o)
		if o.Says == Between || a.Settling.IsZero() || a.hidden() {
			a.Run = Run{}
			return
		}
		if m.counts(true, d, o) >= max(d.On, 1) || o.Immediate {
			a.Run = Run{}
			m.announce(Confirmed, "")
		}
		return
	case o.Says != Set:
		a.Run = Run{}
		return
	}
	if m.counts(true, d, o) < max(d.On, 1) && !o.Immediate {
		return
	}
	since := a.Run.First
	if !o.Since.IsZero() && o.Since.Before(since) {
		since = o.Since.UTC()
	}
	a.Run = Run{}
	if a.Latched && m.at.Sub(a.Ended) <= t.Relatch && a.Episode == o.Episode {
		// Back before the reset and soon: the same occurrence.
		m.move(Confirmed, NoNotice, System, "came back before the reset", func(a *Alarm) {
			a.Condition, a.Latched, a.Ended = true, false, time.Time{}
		})
		m.see(o)
		return
	}
	m.begin(o, since)
}

// counts counts one more observation of a kind and gives how many there are.
func (m *machine) counts(set bool, d Delays, o Observation) int {
	r := &m.Alarm.Run
	if r.Count == 0 || r.Set != set {
		*r = Run{Set: set, Count: 1, First: m.at, Last: m.at, Evidence: o.Evidence.UTC()}
		return 1
	}
	gap := m.at.Sub(r.Last)
	if gap >= 0 && gap < d.Spacing || gap == 0 {
		return r.Count
	}
	if !set && d.NewEvidence && !o.Evidence.After(r.Evidence) {
		return r.Count
	}
	r.Count, r.Last, r.Evidence = r.Count+1, m.at, o.Evidence.UTC()
	return r.Count
}

// begin begins a new occurrence; whoever was in its place is closed.
func (m *machine) begin(o Observation, since time.Time) {
	a := &m.Alarm
	switch {
	case a.Occurrence == "":
	case a.Open():
		m.close("another occurrence began")
	default:
		closed := *a
		m.Closed = &closed
	}
	*a = Alarm{
		Key: a.Key, Shelved: a.Shelved, Suppressed: a.Suppressed, OutOfService: a.OutOfService,
		Occurrence: m.newID, Episode: o.Episode, Latching: o.Latching, Began: since, Priority: o.Priority, Seen: o.Seen,
	}
	note := ""
	if late := m.at.Sub(since); late > 24*time.Hour {
		note = "noticed late; began about " + since.Format(time.RFC3339)
	}
	if a.hidden() {
		m.move(Confirmed, NoNotice, System, note, func(a *Alarm) { a.Condition = true })
		return
	}
	m.move(Confirmed, Announce, System, note, func(a *Alarm) {
		a.Condition, a.Unacked, a.Announced = true, true, m.at
	})
}

// announce tells people of an occurrence that began hidden.
func (m *machine) announce(trigger Trigger, note string) {
	m.move(trigger, Announce, System, note, func(a *Alarm) {
		a.Unacked, a.Announced, a.Settling = true, m.at, time.Time{}
	})
}

// close takes the open occurrence out of the list and keeps how it ended.
func (m *machine) close(reason string) {
	m.move(Superseded, NoNotice, System, reason, func(a *Alarm) {
		if a.Ended.IsZero() {
			a.Ended = m.at
		}
		a.Condition, a.Unacked, a.Latched, a.EndReason = false, false, false, reason
	})
	closed := m.Alarm
	m.Closed = &closed
}

// again closes the announced occurrence and begins another for the same
// condition, because an acknowledgement belongs to one occurrence.
func (m *machine) again(trigger Trigger, reason string) {
	a := &m.Alarm
	old := *a
	m.close(reason)
	*a = Alarm{
		Key: old.Key, Occurrence: m.newID, Episode: old.Episode, Latching: old.Latching, Began: old.Began,
		Priority: old.Priority, Seen: old.Seen, Run: old.Run,
	}
	m.move(trigger, Announce, System, reason, func(a *Alarm) { a.Condition, a.Unacked, a.Announced = true, true, m.at })
}

// clear ends the condition.
func (m *machine) clear(at time.Time, note string) {
	a := &m.Alarm
	notice := NoNotice
	if a.Announcing() && !a.Latching {
		notice = Return
	}
	auto := lookup(a.Type).AutoReturn && a.Priority == Low
	m.move(Cleared, notice, System, note, func(a *Alarm) {
		a.Condition, a.Ended, a.Settling = false, at, time.Time{}
		a.EndReason = "condition gone"
		if note != "" {
			a.EndReason = note
		}
		switch {
		case a.Latching && a.Announcing():
			a.Latched = true
		case auto:
			a.Unacked = false
		}
	})
	if a.Shelved != nil && a.Shelved.Once {
		m.move(ShelvingEnded, NoNotice, System, "the condition is gone", func(a *Alarm) { a.Shelved = nil })
	}
}

// see takes over what an observation of an open condition says. Within one
// occurrence the priority rises and never falls: one that swings would call
// people again and again.
func (m *machine) see(o Observation) {
	a := &m.Alarm
	reason := a.Seen.PriorityReason
	if o.Seen.Unit != "" {
		a.Seen = o.Seen
	}
	if o.Priority == "" || o.Priority.Rank() > a.Priority.Rank() {
		a.Seen.PriorityReason = reason
	}
}

// endShelving ends a shelving whose time has come. If the condition is still
// there, people are told anew.
func (m *machine) endShelving() {
	a := &m.Alarm
	if a.Shelved == nil || m.at.Before(a.Shelved.Until) {
		return
	}
	m.unshelve(ShelvingEnded, System, "its time is over")
}

func (m *machine) unshelve(trigger Trigger, by, note string) {
	a := &m.Alarm
	m.move(trigger, NoNotice, by, note, func(a *Alarm) { a.Shelved = nil })
	if !a.Condition || a.hidden() {
		return
	}
	if a.Announcing() {
		m.again(Confirmed, "shelving ended and the condition is still there")
		return
	}
	m.announce(Confirmed, "shelving ended and the condition is still there")
}

// priority takes up a risen priority.
func (m *machine) priority(o Observation) {
	a := &m.Alarm
	if !a.Condition || o.Says != Set || o.Priority == "" || o.Priority.Rank() >= a.Priority.Rank() {
		return
	}
	note := fmt.Sprintf("from %s to %s: %s", a.Priority, o.Priority, o.Seen.PriorityReason)
	switch {
	case a.hidden() || !a.Announcing():
		m.move(Raised, NoNotice, System, note, func(a *Alarm) { a.Priority = o.Priority })
	case a.Unacked:
		m.move(Raised, Escalate, System, note, func(a *Alarm) { a.Priority = o.Priority })
	default:
		// Who acknowledged the lesser one has not seen this. The id of this
		// step may be used up by an occurrence that began in it, but that one
		// is unacknowledged.
		a.Priority = o.Priority
		m.again(Raised, "priority rose "+note)
	}
}

// remind escalates what nobody acknowledged, and alarms again what was
// acknowledged long ago and is still there.
func (m *machine) remind(t Timing) {
	a := &m.Alarm
	switch a.State() {
	case Unacknowledged:
		after := t.Escalate[a.Priority]
		if after > 0 && a.Escalated.IsZero() && m.at.Sub(a.Announced) >= after {
			m.move(WasEscalated, Escalate, System, fmt.Sprintf("not acknowledged within %s", after), func(a *Alarm) { a.Escalated = m.at })
		}
	case Acknowledged:
		after := t.ReAlarm[a.Priority]
		if after > 0 && a.Acknowledged != nil && m.at.Sub(a.Acknowledged.At) >= after {
			m.again(ReAlarmed, fmt.Sprintf("acknowledged %s ago and still there", after))
		}
	}
}
