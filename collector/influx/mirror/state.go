package mirror

import (
	"context"
	"fmt"
	"time"

	"dwindle/collector/journal"
)

// State is how far the copy is.
type State struct {
	// Complete is when the last run began that brought all: the copy has what
	// the database had then. Zero: there was none yet.
	Complete time.Time
	// Forwarded is up to when the gateway had by then forwarded all that it had;
	// zero: it has not yet.
	Forwarded time.Time
	Devices   int   // that were looked at in the last run
	Behind    int   // of these, that could not be brought up to date
	Err       error // why the last run failed
}

// Names of what the copy remembers.
const (
	noteLate     = "late"     // place in the change feed
	noteComplete = "complete" // State.Complete
	noteFacts    = "facts"    // a stretch of changed facts that is still to be read
	noteUpto     = "upto"     // State.Forwarded
	noteLearned  = "learned"  // when the newest calibration was stored
	noteBehind   = "behind"   // from when on something may be missing; see run.behindSince
	noteDeep     = "deep"     // when the last stretch was last read again, and all facts
)

// forwardedLate is for how long nothing may be heard of the gateway: it tells
// every minute, and may be started anew. A proposal.
const forwardedLate = 15 * time.Minute

// Noted gives how far a copy is, as it remembers it itself.
func Noted(ctx context.Context, j *journal.Journal) (s State, err error) {
	if s.Complete, err = noted(ctx, j, noteComplete); err != nil {
		return s, err
	}
	s.Forwarded, err = noted(ctx, j, noteUpto)
	return s, err
}

// AsOf is the instant up to which the copy shows all that the site's devices
// sent; zero: there is none. A gateway that is still forwarding its past for the
// first time has not said how far it is, and the newest there may be years old.
func (s State) AsOf() time.Time {
	if s.Complete.IsZero() || s.Forwarded.IsZero() {
		return time.Time{}
	}
	return earliest(s.Complete, s.Forwarded)
}

// Late says that a copy shows less than it might because the gateway, which
// gathers what it forwards for a time, has not been heard of for long.
func (s State) Late(gathers time.Duration) bool {
	return !s.Forwarded.IsZero() && s.Complete.Sub(s.Forwarded) > forwardedLate+2*gathers
}

func noted(ctx context.Context, j *journal.Journal, name string) (time.Time, error) {
	text, err := j.Noted(ctx, name)
	if err != nil || text == "" {
		return time.Time{}, err
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("read %s of the working copy %s: %w", name, j.Path(), err)
	}
	return t, nil
}

func note(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// State gives how far the copy is.
func (m *Mirror) State() State {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state
}

// Resume takes up how far the copy was when it was last open, so that it is used
// at once.
func (m *Mirror) Resume(ctx context.Context) error {
	s, err := Noted(ctx, m.opt.Journal)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state.Complete, m.state.Forwarded = s.Complete, s.Forwarded
	return nil
}
