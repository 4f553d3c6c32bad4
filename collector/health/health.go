// Package health knows what is wrong now. Every part that can fail reports
// under a name of its own; whatever shows the state of the program (pages,
// probes, commands) reads one list.
//
// A check has a level, a sentence that says what is wrong and one that says
// what to try. Levels change rarely: a change is logged once, a repetition is
// not. It imports nothing of ours. Start with [New].
package health

import (
	"cmp"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// Level says how bad it is. The order of the values is the order of badness.
type Level int

// The levels.
const (
	Ok   Level = iota // works as meant
	Warn              // works, but somebody should look
	Bad               // does not do its job
)

// String returns "ok", "warn" or "bad".
func (l Level) String() string {
	switch l {
	case Ok:
		return "ok"
	case Warn:
		return "warn"
	case Bad:
		return "bad"
	}
	return fmt.Sprintf("level %d", int(l))
}

// MarshalText writes the level as its word.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads the word of a level.
func (l *Level) UnmarshalText(text []byte) error {
	for _, known := range []Level{Ok, Warn, Bad} {
		if known.String() == string(text) {
			*l = known
			return nil
		}
	}
	return fmt.Errorf("health level %q: want ok, warn or bad", text)
}

// Check is the state of one named part.
type Check struct {
	Name  string    `json:"name"`
	Level Level     `json:"level"`
	What  string    `json:"what,omitempty"` // what is wrong; when ok, how things stand or empty
	Try   string    `json:"try,omitempty"`  // what to do about it
	Since time.Time `json:"since"`          // when this level began, UTC
}

// Checks is the set of named checks. The nil *Checks takes every Set and has
// an empty list, so that parts can be used without one. Safe for concurrent
// use.
type Checks struct {
	log *slog.Logger
	now func() time.Time

	mu sync.Mutex
	m  map[string]Check
}

// New returns an empty set whose changes of level go to log; nil discards
// them.
func New(log *slog.Logger) *Checks { return NewAt(log, time.Now) }

// NewAt is New with a clock of the caller's choice.
func NewAt(log *slog.Logger, now func() time.Time) *Checks {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Checks{log: log, now: now, m: map[string]Check{}}
}

// Set reports the state of the named part: what is wrong and what to try. When
// level is Ok there is nothing to try, and what may say how things stand. Since moves only when the level changes, so a
// caller may report as often as it likes.
func (c *Checks) Set(name string, level Level, what, try string) {
	if c == nil {
		return
	}
	c.mu.Lock()
	old, known := c.m[name]
	next := Check{Name: name, Level: level, What: what, Try: try, Since: old.Since}
	changed := !known || old.Level != level
	if changed {
		next.Since = c.now().UTC()
	}
	c.m[name] = next
	c.mu.Unlock()

	switch {
	case !changed, !known && level == Ok: // being well from the start is no news
	case level == Ok:
		c.log.Info("recovered", "check", name, "was", old.What)
	case level == Warn:
		c.log.Warn(what, "check", name, "try", try)
	default:
		c.log.Error(what, "check", name, "try", try)
	}
}

// Drop forgets the named part, which exists no more.
func (c *Checks) Drop(name string) {
	if c == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.m, name)
}

// List returns all checks, sorted by name.
func (c *Checks) List() []Check {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	list := make([]Check, 0, len(c.m))
	for _, check := range c.m {
		list = append(list, check)
	}
	c.mu.Unlock()
	slices.SortFunc(list, func(a, b Check) int { return cmp.Compare(a.Name, b.Name) })
	return list
}

// Worst returns the highest level of all checks, Ok if there are none.
func (c *Checks) Worst() Level {
	worst := Ok
	for _, check := range c.List() {
		worst = max(worst, check.Level)
	}
	return worst
}
