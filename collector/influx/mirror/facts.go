package mirror

import (
	"fmt"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// stretch is from one instant to another, both included; the zero value is none.
type stretch struct{ from, to time.Time }

func (s stretch) and(x stretch) stretch {
	if s.to.IsZero() {
		return x
	}
	return stretch{earliest(s.from, x.from), latest(s.to, x.to)}
}

// factsDue gives what an earlier run has left over.
func (r *run) factsDue() (s stretch, err error) {
	text, err := r.opt.Journal.Noted(r.ctx, noteFacts)
	if err != nil || text == "" {
		return s, err
	}
	from, to, _ := strings.Cut(text, " ")
	if s.from, err = time.Parse(time.RFC3339Nano, from); err == nil {
		s.to, err = time.Parse(time.RFC3339Nano, to)
	}
	if err != nil { // all of them, then
		return stretch{time.Unix(0, 0), farAway}, nil
	}
	return s, nil
}

// changedFacts takes over the facts of a stretch. A device that repeats its
// setting with every message confirms a fact of long ago, so that the stretch has
// nearly all facts in it: who keeps a copy up to date does that now and then.
func (r *run) changedFacts(s stretch) error {
	if !s.to.IsZero() && r.lazy && r.began.Sub(r.factsRead) < factsEvery && !r.began.Before(r.factsRead) {
		r.remember(noteFacts, note(s.from)+" "+note(s.to))
		return r.flush()
	}
	if !s.to.IsZero() {
		if err := r.factsOf(s.from, s.to); err != nil {
			return err
		}
		r.factsRead = r.began
		r.remember(noteFacts, "")
	}
	return r.flush()
}

// Facts of so short a stretch are read at once, up to so many stretches; of others
// so often. Proposals.
const (
	factsShort = 48 * time.Hour
	factsMost  = 64
	factsEvery = 10 * time.Minute
)

// facts takes over all facts, now and then.
func (r *run) facts() error {
	if !r.deep {
		return nil
	}
	return r.factsOf(time.Unix(0, 0), farAway)
}

// farAway is after all that is stored.
var farAway = time.Date(2200, time.January, 1, 0, 0, 0, 0, time.UTC)

func (r *run) factsOf(from, to time.Time) error {
	notes := r.pending.Notes // with the last of them
	r.pending.Notes = nil
	err := r.opt.Source.Facts(r.ctx, from, to, func(f reading.StoredFact) error {
		if r.pending.Facts = append(r.pending.Facts, f); len(r.pending.Facts) < r.rows {
			return nil
		}
		return r.flush()
	})
	if err != nil {
		return fmt.Errorf("take over facts: %w", err)
	}
	r.pending.Notes = notes
	return r.flush()
}
