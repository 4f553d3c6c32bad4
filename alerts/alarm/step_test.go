package alarm_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
)

var start = time.Date(2027, 1, 4, 6, 0, 0, 0, time.UTC)

// kind is a type with short delays, so that a test reads as a list of steps.
// The delays of the real types are tested in types_test.go.
var kind = alarm.Delays{On: 1, Off: 1}

func set() alarm.Observation {
	return alarm.Observation{Says: alarm.Set, Priority: alarm.Low, Seen: alarm.Seen{Unit: "1", Value: 0.3, Limit: 0.2}}
}

func clear() alarm.Observation { return alarm.Observation{Says: alarm.Clear} }

func latching() alarm.Observation {
	o := set()
	o.Latching = true
	return o
}

func suppressed(o alarm.Observation, rules ...alarm.Rule) alarm.Observation {
	o.Rules = rules
	return o
}

// story drives one alarm and keeps what happened.
type story struct {
	t     *testing.T
	a     alarm.Alarm
	at    time.Time
	n     int
	moves []alarm.Transition
}

func tell(t *testing.T) *story {
	return &story{t: t, a: alarm.Alarm{Key: alarm.Key{Type: alarm.EmptyBeforeVisit, Subject: "P-1"}}, at: start}
}

func (s *story) take(r alarm.Result) *story {
	s.t.Helper()
	// Every step survives the way to disk and back.
	text, err := json.Marshal(r.Alarm)
	require.NoError(s.t, err)
	var back alarm.Alarm
	require.NoError(s.t, json.Unmarshal(text, &back))
	require.Equal(s.t, r.Alarm, back)
	s.a = back
	if s.a.Occurrence == s.id() {
		s.n++
	}
	s.moves = append(s.moves, r.Transitions...)
	return s
}

func (s *story) id() string { return string(rune('a' + s.n)) }

func (s *story) see(o alarm.Observation) *story {
	s.t.Helper()
	return s.take(alarm.Step(s.a, o, kind, alarm.DefaultTiming(), s.at, s.id()))
}

func (s *story) after(d time.Duration) *story { s.at = s.at.Add(d); return s }

func (s *story) do(r alarm.Result, err error) *story {
	s.t.Helper()
	require.NoError(s.t, err)
	return s.take(r)
}

func (s *story) ack() *story {
	s.t.Helper()
	return s.do(alarm.Acknowledge(s.a, "kim", "", s.at))
}

func (s *story) shelve(d time.Duration, once bool) *story {
	s.t.Helper()
	return s.do(alarm.Shelve(s.a, "kim", "parts come on Friday", s.at.Add(d), once, alarm.DefaultTiming(), s.at))
}

func (s *story) out() *story {
	s.t.Helper()
	return s.do(alarm.TakeOut(s.a, alarm.Order{Number: "W-17", By: "kim", Reason: "shaft removed"}, s.at))
}

func (s *story) is(want alarm.State) *story {
	s.t.Helper()
	require.Equal(s.t, want, s.a.State())
	return s
}

// notices gives what people were told, in order.
func (s *story) notices() []alarm.Notice {
	var out []alarm.Notice
	for _, m := range s.moves {
		if m.Notice != alarm.NoNotice {
			out = append(out, m.Notice)
		}
	}
	return out
}

// The rows of the state table, as facts about the machine: from, to, trigger.
func TestTransitions(t *testing.T) {
	day := 24 * time.Hour
	told := func(n ...alarm.Notice) []alarm.Notice { return n }
	for _, row := range []struct {
		name string
		run  func(s *story) *story
		to   alarm.State
		told []alarm.Notice
		ids  int // occurrences begun
	}{
		{"1 normal, condition confirmed", func(s *story) *story { return s.see(set()) },
			alarm.Unacknowledged, told(alarm.Announce), 1},
		{"2 unacknowledged, acknowledge", func(s *story) *story { return s.see(set()).ack() },
			alarm.Acknowledged, told(alarm.Announce), 1},
		{"3 unacknowledged, condition clears", func(s *story) *story { return s.see(set()).after(day).see(clear()) },
			alarm.ReturnedUnacked, told(alarm.Announce, alarm.Return), 1},
		{"4 acknowledged, condition clears", func(s *story) *story { return s.see(set()).ack().after(day).see(clear()) },
			alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"5 returned, acknowledge", func(s *story) *story { return s.see(set()).after(day).see(clear()).ack() },
			alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"6 returned, condition returns", func(s *story) *story { return s.see(set()).after(day).see(clear()).after(day).see(set()) },
			alarm.Unacknowledged, told(alarm.Announce, alarm.Return, alarm.Announce), 2},
		{"7 unacknowledged, latching, clears", func(s *story) *story { return s.see(latching()).after(day).see(clear()) },
			alarm.LatchedUnacked, told(alarm.Announce), 1},
		{"8 acknowledged, latching, clears", func(s *story) *story { return s.see(latching()).ack().after(day).see(clear()) },
			alarm.LatchedAcked, told(alarm.Announce), 1},
		{"9 latched and acknowledged, reset", func(s *story) *story {
			s.see(latching()).ack().after(day).see(clear())
			return s.do(alarm.Reset(s.a, "kim", "line replaced", s.at))
		}, alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"10 latched, condition returns soon: the same occurrence", func(s *story) *story {
			return s.see(latching()).ack().after(day).see(clear()).after(time.Hour).see(latching())
		}, alarm.Acknowledged, told(alarm.Announce), 1},
		{"10 latched, condition returns after more than a day: a new one", func(s *story) *story {
			return s.see(latching()).ack().after(day).see(clear()).after(25 * time.Hour).see(latching())
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"11 any, shelved for a time", func(s *story) *story { return s.see(set()).ack().shelve(day, false) },
			alarm.Shelved, told(alarm.Announce), 1},
		{"12 shelved once, ends when the condition clears", func(s *story) *story {
			return s.see(set()).ack().shelve(3*day, true).after(day).see(clear())
		}, alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"12 shelved once, ends at the time at the latest", func(s *story) *story {
			return s.see(set()).ack().shelve(3*day, true).after(3 * day).see(set())
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"13 shelving ends, condition still there", func(s *story) *story {
			return s.see(set()).ack().shelve(day, false).after(day).see(set())
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"13 shelving ends, condition gone", func(s *story) *story {
			return s.see(set()).ack().shelve(2*day, false).after(day).see(clear()).after(day).see(clear())
		}, alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"13 unshelved by a person, condition still there", func(s *story) *story {
			s.see(set()).ack().shelve(day, false)
			return s.do(alarm.Unshelve(s.a, "kim", "", s.at, s.id()))
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"14 any, a suppression rule becomes true", func(s *story) *story {
			return s.see(set()).after(day).see(suppressed(set(), alarm.PlannedDown))
		}, alarm.SuppressedByDesign, told(alarm.Announce), 1},
		{"14 begins suppressed: counted, told to nobody", func(s *story) *story { return s.see(suppressed(set(), alarm.PlannedDown)) },
			alarm.SuppressedByDesign, told(), 1},
		{"15 last rule ends, condition gone", func(s *story) *story {
			return s.see(suppressed(set(), alarm.PlannedDown)).after(day).see(suppressed(clear(), alarm.PlannedDown)).after(day).see(clear())
		}, alarm.Normal, told(), 1},
		{"15 last rule ends, never announced, condition there", func(s *story) *story {
			return s.see(suppressed(set(), alarm.PlannedDown)).after(day).see(set())
		}, alarm.Unacknowledged, told(alarm.Announce), 1},
		{"15 last rule ends, announced and acknowledged before: nothing is new", func(s *story) *story {
			return s.see(set()).ack().after(day).see(suppressed(set(), alarm.PlannedDown)).after(day).see(set())
		}, alarm.Acknowledged, told(alarm.Announce), 1},
		{"16 any, out of service under an order", func(s *story) *story { return s.see(set()).out() },
			alarm.OutOfService, told(alarm.Announce), 1},
		{"17 returned to service, condition there", func(s *story) *story {
			s.see(set()).ack().out()
			return s.do(alarm.PutBack(s.a, "kim", "test dose seen", s.at, s.id()))
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"17 returned to service, condition gone", func(s *story) *story {
			s.see(set()).ack().out().after(day).see(clear())
			return s.do(alarm.PutBack(s.a, "kim", "test dose seen", s.at, s.id()))
		}, alarm.Normal, told(alarm.Announce, alarm.Return), 1},
		{"18 unacknowledged for too long: escalated once", func(s *story) *story {
			return s.see(set()).after(8 * day).see(set()).after(day).see(set())
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Escalate), 1},
		{"19 acknowledged, still there after the re-alarm time, high only", func(s *story) *story {
			high := set()
			high.Priority = alarm.High
			return s.see(high).ack().after(3 * day).see(high)
		}, alarm.Unacknowledged, told(alarm.Announce, alarm.Announce), 2},
		{"19 not for low", func(s *story) *story { return s.see(set()).ack().after(300 * day).see(set()) },
			alarm.Acknowledged, told(alarm.Announce), 1},
		{"20 acknowledged, work reported", func(s *story) *story {
			s.see(set()).ack()
			return s.do(alarm.ReportWork(s.a, "kim", "line cleared", s.at))
		}, alarm.Acknowledged, told(alarm.Announce), 1},
		{"21 any, subject gone", func(s *story) *story {
			s.see(set()).shelve(day, false)
			return s.take(alarm.Delete(s.a, "point removed", s.at))
		}, alarm.Normal, told(alarm.Announce, alarm.Return), 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			s := row.run(tell(t)).is(row.to)
			require.Equal(t, row.told, s.notices())
			require.Equal(t, row.ids, s.n, "occurrences begun")
			last := s.moves[len(s.moves)-1]
			require.Equal(t, row.to, last.To)
		})
	}
}

func TestPrecedence(t *testing.T) {
	s := tell(t).see(set()).is(alarm.Unacknowledged)
	s.see(suppressed(set(), alarm.PlannedDown)).is(alarm.SuppressedByDesign)
	s.shelve(time.Hour, false).is(alarm.Shelved)
	s.out().is(alarm.OutOfService)
	require.True(t, s.a.Condition, "hidden conditions go on being evaluated")
}

func TestDelays(t *testing.T) {
	d := alarm.Delays{On: 2, Off: 2, Spacing: time.Hour}
	timing := alarm.DefaultTiming()
	a := alarm.Alarm{Key: alarm.Key{Type: alarm.EmptyBeforeVisit, Subject: "P-1"}}
	at := start
	look := func(o alarm.Observation, later time.Duration) alarm.State {
		at = at.Add(later)
		a = alarm.Step(a, o, d, timing, at, "a").Alarm
		return a.State()
	}
	between, unknown := alarm.Observation{Says: alarm.Between}, alarm.Observation{}

	require.Equal(t, alarm.Normal, look(set(), 0), "one look is none")
	require.Equal(t, alarm.Normal, look(set(), time.Minute), "a second look at the same data confirms nothing")
	require.Equal(t, alarm.Normal, look(between, time.Hour), "in the band the delay begins again")
	require.Equal(t, alarm.Normal, look(set(), time.Hour))
	require.Equal(t, alarm.Normal, look(unknown, time.Hour), "without evidence the delay stands still")
	require.Equal(t, alarm.Unacknowledged, look(set(), time.Hour))
	require.Equal(t, start.Add(2*time.Hour+time.Minute), a.Began, "it began with the first of the looks that confirmed it")

	require.Equal(t, alarm.Unacknowledged, look(clear(), time.Hour))
	require.Equal(t, alarm.Unacknowledged, look(between, time.Hour), "set and clear limits differ")
	require.Equal(t, alarm.Unacknowledged, look(clear(), time.Hour))
	require.Equal(t, alarm.Unacknowledged, look(unknown, time.Hour))
	require.Equal(t, alarm.ReturnedUnacked, look(clear(), time.Hour))

	at = at.Add(-24 * time.Hour)
	require.Equal(t, alarm.ReturnedUnacked, look(set(), 0), "a clock that went back stops nothing")
	require.Equal(t, alarm.Unacknowledged, look(set(), time.Hour))
}

func TestImmediatePassesTheDelayBy(t *testing.T) {
	o := set()
	o.Immediate = true
	r := alarm.Step(alarm.Alarm{}, o, alarm.Delays{On: 5, Off: 5, Spacing: time.Hour}, alarm.DefaultTiming(), start, "a")
	require.Equal(t, alarm.Unacknowledged, r.Alarm.State())
}

func TestClearingNeedsNewEvidence(t *testing.T) {
	d := alarm.Delays{On: 1, Off: 2, NewEvidence: true}
	a := alarm.Step(alarm.Alarm{}, set(), d, alarm.DefaultTiming(), start, "a").Alarm
	heard := func(at, evidence time.Duration) alarm.State {
		o := clear()
		o.Evidence = start.Add(evidence)
		a = alarm.Step(a, o, d, alarm.DefaultTiming(), start.Add(at), "b").Alarm
		return a.State()
	}
	require.Equal(t, alarm.Unacknowledged, heard(10*time.Minute, 9*time.Minute))
	require.Equal(t, alarm.Unacknowledged, heard(20*time.Minute, 9*time.Minute), "the same message again")
	require.Equal(t, alarm.ReturnedUnacked, heard(30*time.Minute, 25*time.Minute))
	require.Equal(t, start.Add(10*time.Minute), a.Ended, "it ended with the first of them")
}

func TestAnotherEpisodeEndsTheOldOneAtOnce(t *testing.T) {
	d := alarm.Delays{On: 2, Off: 2, Spacing: time.Hour}
	timing := alarm.DefaultTiming()
	old := set()
	old.Episode, old.Immediate = "fill 1", true
	a := alarm.Step(alarm.Alarm{}, old, d, timing, start, "a").Alarm
	o := alarm.Observation{Says: alarm.Between, Episode: "fill 2"}
	r := alarm.Step(a, o, d, timing, start.Add(time.Minute), "b")
	require.Equal(t, alarm.ReturnedUnacked, r.Alarm.State())
	require.Equal(t, alarm.Return, r.Transitions[0].Notice)

	next := set()
	next.Episode, next.Immediate = "fill 2", true
	r = alarm.Step(a, next, d, timing, start.Add(time.Minute), "b")
	require.Equal(t, "b", r.Alarm.Occurrence)
	require.Equal(t, alarm.Unacknowledged, r.Alarm.State())
	require.NotNil(t, r.Closed)
	require.Equal(t, "a", r.Closed.Occurrence)
	require.False(t, r.Closed.Open())
}

func TestPriorityRisesAndNeverFallsWithinAnOccurrence(t *testing.T) {
	with := func(p alarm.Priority) alarm.Observation {
		o := set()
		o.Priority, o.Seen.PriorityReason = p, "because "+string(p)
		return o
	}
	s := tell(t).see(with(alarm.Low)).see(with(alarm.Medium)).is(alarm.Unacknowledged)
	require.Equal(t, []alarm.Notice{alarm.Announce, alarm.Escalate}, s.notices())
	require.Equal(t, alarm.Medium, s.a.Priority)
	s.after(time.Hour).see(with(alarm.Low))
	require.Equal(t, alarm.Medium, s.a.Priority)
	require.Equal(t, "because medium", s.a.Seen.PriorityReason)

	s.ack().after(time.Hour).see(with(alarm.High)).is(alarm.Unacknowledged)
	require.Equal(t, 2, s.n, "who acknowledged the lesser one has not seen this")
	require.Nil(t, s.a.Acknowledged)
	require.Equal(t, start, s.a.Began, "the condition is as old as it is")
}

func TestAcknowledgementBelongsToOneOccurrence(t *testing.T) {
	s := tell(t).see(set()).ack().after(time.Hour).see(clear()).after(time.Hour).see(set())
	s.is(alarm.Unacknowledged)
	require.Nil(t, s.a.Acknowledged)
	require.Nil(t, s.a.Row().AcknowledgedAt)
}

func TestRefusals(t *testing.T) {
	timing := alarm.DefaultTiming()
	normal := tell(t).see(clear())
	active := tell(t).see(set())
	acked := tell(t).see(set()).ack()
	hidden := tell(t).see(suppressed(set(), alarm.PlannedDown))
	latched := tell(t).see(latching()).after(time.Hour).see(clear())
	later := start.Add(time.Hour)
	for name, do := range map[string]func() (alarm.Result, error){
		"acknowledge twice":           func() (alarm.Result, error) { return alarm.Acknowledge(acked.a, "kim", "", later) },
		"acknowledge nothing":         func() (alarm.Result, error) { return alarm.Acknowledge(normal.a, "kim", "", later) },
		"acknowledge the unannounced": func() (alarm.Result, error) { return alarm.Acknowledge(hidden.a, "kim", "", later) },
		"acknowledge without a name":  func() (alarm.Result, error) { return alarm.Acknowledge(active.a, "", "", later) },
		"withdraw nothing":            func() (alarm.Result, error) { return alarm.Withdraw(active.a, "kim", "", later) },
		"shelve without a reason":     func() (alarm.Result, error) { return alarm.Shelve(active.a, "kim", " ", later, false, timing, start) },
		"shelve into the past": func() (alarm.Result, error) {
			return alarm.Shelve(active.a, "kim", "why", start, false, timing, start)
		},
		"shelve without end": func() (alarm.Result, error) {
			return alarm.Shelve(active.a, "kim", "why", start.AddDate(1, 0, 0), false, timing, start)
		},
		"shelve nothing":              func() (alarm.Result, error) { return alarm.Shelve(normal.a, "kim", "why", later, false, timing, start) },
		"unshelve nothing":            func() (alarm.Result, error) { return alarm.Unshelve(active.a, "kim", "", later, "b") },
		"reset while the cause lasts": func() (alarm.Result, error) { return alarm.Reset(active.a, "kim", "", later) },
		"reset before acknowledging":  func() (alarm.Result, error) { return alarm.Reset(latched.a, "kim", "", later) },
		"out of service, no order":    func() (alarm.Result, error) { return alarm.TakeOut(active.a, alarm.Order{By: "kim"}, later) },
		"work on an unseen alarm":     func() (alarm.Result, error) { return alarm.ReportWork(active.a, "kim", "", later) },
	} {
		t.Run(name, func(t *testing.T) {
			r, err := do()
			var refused *alarm.RefusedError
			require.ErrorAs(t, err, &refused)
			require.Empty(t, r.Transitions)
		})
	}
}

func TestWithdrawnAcknowledgement(t *testing.T) {
	s := tell(t).see(set()).ack()
	s.do(alarm.Withdraw(s.a, "kim", "wrong row", s.at)).is(alarm.Unacknowledged)
	require.Equal(t, []alarm.Notice{alarm.Announce}, s.notices())
}

// The restart matrix: in each state, what was true before the stop is not
// announced again after it, and what changed meanwhile is told once.
func TestRestart(t *testing.T) {
	day := 24 * time.Hour
	for name, before := range map[string]func(s *story) *story{
		"normal":         func(s *story) *story { return s.see(clear()) },
		"unacknowledged": func(s *story) *story { return s.see(set()) },
		"acknowledged":   func(s *story) *story { return s.see(set()).ack() },
		"returned":       func(s *story) *story { return s.see(set()).see(clear()) },
		"shelved":        func(s *story) *story { return s.see(set()).shelve(5*day, false) },
		"suppressed":     func(s *story) *story { return s.see(set()).see(suppressed(set(), alarm.PlannedDown)) },
		"out of service": func(s *story) *story { return s.see(set()).out() },
	} {
		t.Run(name+", nothing changed", func(t *testing.T) {
			s := before(tell(t))
			was, told := s.a.State(), len(s.notices())
			o := clear()
			if s.a.Condition {
				o = suppressed(set(), s.a.Suppressed...)
			}
			s.after(2 * time.Hour).see(o).is(was)
			require.Len(t, s.notices(), told)
		})
		t.Run(name+", condition ended meanwhile", func(t *testing.T) {
			s := before(tell(t))
			if !s.a.Condition {
				return // nothing to end
			}
			s.after(2 * time.Hour).see(clear())
			require.Equal(t, []alarm.Notice{alarm.Announce, alarm.Return}, s.notices())
		})
	}
	t.Run("shelving ran out meanwhile", func(t *testing.T) {
		s := tell(t).see(set()).ack().shelve(day, false)
		s.after(10 * day).see(set()).is(alarm.Unacknowledged)
	})
	t.Run("began long before it was noticed", func(t *testing.T) {
		o := set()
		o.Since = start.Add(-3 * day)
		s := tell(t).see(o)
		require.Equal(t, o.Since, s.a.Began)
		require.Contains(t, s.moves[0].Note, "noticed late; began about 2027-01-01T06:00:00Z")
	})
}
