// Package alerts turns forecasts into alarms, prompts and logbook entries: the
// watch builds the condition of every alarm type from one pass of the
// forecast, moves the states, and writes what changed to the ledger.
//
// It reads forecast and writes alerts/ledger; it must not import cmd or
// alerts/board. Time is always that of the pass, never the clock. Start with
// [NewWatch].
package alerts

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/config"
	"dwindle/forecast"
)

// Watch holds the state of all alarms of a site. Safe for concurrent use.
type Watch struct {
	ledger *ledger.Ledger
	site   func() *config.Site
	log    *slog.Logger
	timing alarm.Timing

	mu     sync.Mutex // guards what follows, and the order of writes
	alarms map[alarm.Key]alarm.Alarm
	count  int64             // occurrences begun so far
	fills  map[string]string // by point: the change that the logbook has
}

// NewWatch loads the alarms of a ledger, once; from then on the ledger is only
// written. A nil log is silent.
func NewWatch(ctx context.Context, l *ledger.Ledger, site func() *config.Site, log *slog.Logger) (*Watch, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	w := &Watch{
		ledger: l, site: site, log: log, timing: alarm.DefaultTiming(),
		alarms: map[alarm.Key]alarm.Alarm{}, fills: map[string]string{},
	}
	all, err := l.Alarms(ctx)
	if err != nil {
		return nil, err
	}
	for _, a := range all {
		w.alarms[a.Key] = a
	}
	w.count, err = l.Occurrences(ctx)
	return w, err
}

// Evaluate looks at one pass: time is fleet.At. It returns what moved, after
// it is on disk. A failed evaluation changes nothing.
func (w *Watch) Evaluate(ctx context.Context, fleet forecast.Fleet, src forecast.Source) ([]alarm.Transition, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	e := newEvaluation(w.site(), fleet, src)
	found, err := e.observe(ctx, w.alarms)
	if err != nil {
		return nil, fmt.Errorf("evaluate alarms as of %s: %w", e.at.Format(time.RFC3339), err)
	}
	s := w.stage()
	for _, f := range found {
		s.step(f.key, f.observation, e.at)
	}
	s.forget(found, e.at, func(t alarm.Type) bool { return !ofCollector(t) })
	w.noteFills(s, fleet)
	return s.commit(ctx)
}

// stage collects the changes of one evaluation or decision; nothing of it
// counts before the commit.
type stage struct {
	w      *Watch
	next   map[alarm.Key]alarm.Alarm
	count  int64
	change ledger.Change
	fills  map[string]string
}

func (w *Watch) stage() *stage {
	return &stage{w: w, next: map[alarm.Key]alarm.Alarm{}, count: w.count, fills: map[string]string{}}
}

func (s *stage) get(key alarm.Key) (alarm.Alarm, bool) {
	if a, ok := s.next[key]; ok {
		return a, true
	}
	a, ok := s.w.alarms[key]
	return a, ok
}

// newID names the next occurrence: short enough to be typed.
func (s *stage) newID() string { return fmt.Sprintf("A-%05d", s.count+1) }

func (s *stage) step(key alarm.Key, o alarm.Observation, at time.Time) {
	old, known := s.get(key)
	if !known {
		if o.Says != alarm.Set {
			return
		}
		old = alarm.Alarm{Key: key}
	}
	d, _ := alarm.Lookup(key.Type)
	s.take(old, alarm.Step(old, o, d.Delays, s.w.timing, at, s.newID()))
}

// take books a step.
func (s *stage) take(old alarm.Alarm, r alarm.Result) {
	a := r.Alarm
	if a.Occurrence == s.newID() {
		s.count++
	}
	if len(r.Transitions) == 0 && same(old, a) {
		s.next[a.Key] = a
		return
	}
	s.next[a.Key] = a
	s.change.Alarms = append(s.change.Alarms, a)
	s.change.Transitions = append(s.change.Transitions, r.Transitions...)
	if r.Closed != nil {
		s.occurrence(*r.Closed)
	}
	if a.Occurrence != "" {
		s.occurrence(a)
	}
}

func (s *stage) occurrence(a alarm.Alarm) {
	s.change.Occurrences = append(s.change.Occurrences, ledger.Occurrence{Subject: a.Subject, Listed: a.Open(), Row: a.Row()})
}

// same says that there is nothing to write: the rules of an alarm that is not
// open come anew with every evaluation.
func same(a, b alarm.Alarm) bool {
	if !a.Open() && !b.Open() {
		a.Suppressed, b.Suppressed = nil, nil
	}
	return reflect.DeepEqual(a, b)
}

// forget ends the alarms of subjects that left the register, of the types that
// were looked at.
func (s *stage) forget(found []finding, at time.Time, looked func(alarm.Type) bool) {
	visited := make(map[alarm.Key]bool, len(found))
	for _, f := range found {
		visited[f.key] = true
	}
	keys := slices.SortedFunc(maps.Keys(s.w.alarms), func(a, b alarm.Key) int {
		return strings.Compare(string(a.Type)+" "+a.Subject, string(b.Type)+" "+b.Subject)
	})
	for _, key := range keys {
		if visited[key] || !looked(key.Type) {
			continue
		}
		old, _ := s.get(key)
		r := alarm.Delete(old, "no longer in the register, or no longer at a point", at)
		s.change.Transitions = append(s.change.Transitions, r.Transitions...)
		if len(r.Transitions) > 0 && r.Alarm.Occurrence != "" {
			s.occurrence(r.Alarm)
		}
		s.change.Gone = append(s.change.Gone, key)
	}
}

// noteFills enters reservoir changes in the logbook: facts, not alarms.
func (w *Watch) noteFills(s *stage, fleet forecast.Fleet) {
	for i := range fleet.States {
		st := &fleet.States[i]
		f := st.LastChange
		if f == nil || f.ID == "" || w.fills[st.Row.Point] == f.ID {
			continue
		}
		s.fills[st.Row.Point] = f.ID
		actor := f.By
		if actor == "" {
			actor = "device " + st.Device
		}
		after := "new reservoir"
		if f.VolumeCM3 != nil {
			after = "new reservoir with " + number(*f.VolumeCM3) + " cm³"
		}
		before := ""
		if f.ResidualCM3 != nil {
			before = number(*f.ResidualCM3) + " cm³ left"
		}
		s.change.Log = append(s.change.Log, ledger.Entry{
			At: f.At, Actor: actor, Action: "reservoir changed", Object: st.Row.Point, Before: before, After: after, Reason: f.Note,
			Ref: "fact " + f.ID,
		})
	}
}

// commit writes the stage and only then makes it true in memory.
func (s *stage) commit(ctx context.Context) ([]alarm.Transition, error) {
	if err := s.w.ledger.Commit(ctx, s.change); err != nil {
		return nil, err
	}
	w := s.w
	maps.Copy(w.alarms, s.next)
	for _, key := range s.change.Gone {
		delete(w.alarms, key)
	}
	maps.Copy(w.fills, s.fills)
	w.count = s.count
	for i := range s.change.Transitions {
		t := &s.change.Transitions[i]
		w.log.Info("alarm moved", "alarm", t.Type, "subject", t.Subject, "occurrence", t.Occurrence,
			"trigger", t.Trigger, "from", t.From, "to", t.To, "notice", t.Notice, "by", t.By)
	}
	return s.change.Transitions, nil
}

// Rows gives the alarm list as of the newest evaluation or decision, in the
// order of what to do first. History is read from the ledger.
func (w *Watch) Rows() []alarm.Row {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []alarm.Row
	for _, a := range w.alarms {
		if a.Open() && a.Occurrence != "" {
			out = append(out, a.Row())
		}
	}
	alarm.SortRows(out)
	return out
}
