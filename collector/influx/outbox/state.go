package outbox

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dwindle/collector/health"
)

// Check is the sender's entry in the list of health. It says nothing about the
// intake, which goes on without a receiver.
const Check = "influx"

// What health says when: proposals.
const (
	// badAfter is how long what may pass by itself is a warning only.
	badAfter = 5 * time.Minute
	// behindAfter is how old the oldest row may get before that is said.
	behindAfter = 5 * time.Minute
	// asideShown is how long refused points are shown.
	asideShown = 24 * time.Hour
)

// state is how things stand, for health.
type state struct {
	mu sync.Mutex
	// failure is zero while what is sent is taken.
	failure  answer
	since    time.Time // of the failure
	next     time.Time // when it is tried again
	journal  string    // what the journal could not do
	asideAt  time.Time // when a point was refused last
	asides   int64     // since the list was empty or too old
	asideWhy string
}

// refused takes note of a point that was refused. What is older than the bucket
// keeps is what was asked for.
func (st *state) refused(reason, words string) {
	if reason == BeyondRetention {
		return
	}
	st.mu.Lock()
	defer st.mu.Unlock()
	now := time.Now()
	if now.Sub(st.asideAt) > asideShown {
		st.asides = 0
	}
	st.asideAt, st.asideWhy = now, words
	st.asides++
}

// failing takes note of an answer that was of no use.
func (s *Sender) failing(a answer, wait time.Duration) {
	s.stats.up.Store(false)
	s.state.mu.Lock()
	now := time.Now()
	first := s.state.since.IsZero()
	if first {
		s.state.since = now
	}
	s.state.failure, s.state.next = a, now.Add(wait)
	s.state.mu.Unlock()
	s.tell()
	if first {
		s.opt.Log.Debug("InfluxDB did not take what was sent; it stays in the journal", "receiver", s.to.host, "status", a.status, "says", a.words())
	}
}

// recovered takes note that the receiver answers as it should.
func (s *Sender) recovered() {
	s.stats.up.Store(true)
	s.state.mu.Lock()
	was := !s.state.since.IsZero() || s.state.journal != ""
	s.state.failure, s.state.since, s.state.journal = answer{}, time.Time{}, ""
	s.state.mu.Unlock()
	if was {
		s.tell()
	}
}

// journalFails takes note that the journal could not do its part.
func (s *Sender) journalFails(what string, err error) {
	s.state.mu.Lock()
	s.state.journal = fmt.Sprintf("cannot %s: %v", what, err)
	s.state.mu.Unlock()
	s.tell()
}

// watch counts the backlog from time to time and tells health.
func (s *Sender) watch(ctx context.Context) {
	for {
		if b, err := s.opt.Outbox.Backlog(ctx); err == nil {
			s.stats.mu.Lock()
			s.stats.backlog, s.stats.known = b, true
			s.stats.mu.Unlock()
		}
		s.tell()
		timer := time.NewTimer(lookEvery)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-s.look:
		}
		timer.Stop()
		if ctx.Err() != nil {
			return
		}
	}
}

// lookAgain has the backlog counted once what waited was taken.
func (s *Sender) lookAgain() {
	s.stats.mu.Lock()
	waited := s.stats.known && rowsOf(s.stats.backlog) > 0
	s.stats.mu.Unlock()
	if waited {
		select {
		case s.look <- struct{}{}:
		default:
		}
	}
}

// Forget takes the sender's entry out of the list of health, once it has ended
// and is not wanted any more.
func (s *Sender) Forget() { s.opt.Health.Drop(Check) }

// tell sets the sender's entry.
func (s *Sender) tell() {
	level, what, try := s.judge(time.Now())
	s.opt.Health.Set(Check, level, what, try)
}

// judge says how things stand.
func (s *Sender) judge(now time.Time) (level health.Level, what, try string) {
	s.stats.mu.Lock()
	b, known := s.stats.backlog, s.stats.known
	s.stats.mu.Unlock()
	waits := waiting(b, known, now)
	st := &s.state
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.journal != "" {
		return health.Bad, st.journal + waits, "see the check of the journal; attempts go on"
	}
	if !st.since.IsZero() {
		level, what, try = s.failureWords(st.failure)
		if now.Sub(st.since) >= badAfter {
			level = health.Bad
		}
		if st.next.Sub(now) > 10*time.Second {
			try += "; the next try is at " + st.next.UTC().Format("15:04:05") + " UTC"
		}
		return level, what + waits, try
	}
	switch {
	case known && !b.Oldest.IsZero() && now.Sub(b.Oldest) > behindAfter+s.opt.Every:
		return health.Warn, "InfluxDB at " + s.to.host + " is behind and catches up" + waits,
			"nothing, if the number falls; else see how busy the server and the line to it are"
	case !st.asideAt.IsZero() && now.Sub(st.asideAt) <= asideShown:
		return health.Warn, fmt.Sprintf("%s refused and kept aside in the last day, the last one: %s%s", points(st.asides), st.asideWhy, waits),
			"`dwindle forward` lists them; once the cause is gone, `dwindle forward --resend` sends them again"
	}
	if last := s.stats.lastWritten(); !last.IsZero() {
		return health.Ok, "InfluxDB at " + s.to.host + " took points last at " + last.Format(time.RFC3339) + waits, ""
	}
	return health.Ok, "nothing was sent to InfluxDB yet" + waits, ""
}

// failureWords say what is wrong with the receiver.
func (s *Sender) failureWords(a answer) (level health.Level, what, try string) {
	at := "InfluxDB at " + s.to.host
	const kept = "; what comes in stays in the journal"
	said := fmt.Sprintf(" (%d %s)", a.status, a.words())
	switch a.reaction() {
	case denied:
		return health.Bad, at + " refuses the token" + said + kept,
			"a token that may write to bucket " + s.opt.Bucket + " into " + tokenName(s.opt.TokenFile) + "; it is read again for the next try, within about a minute"
	case missing:
		return health.Bad, at + " does not know the bucket " + s.opt.Bucket + " or the organisation " + s.opt.Organisation + said + kept,
			"`dwindle serve --prepare-stores` makes the bucket; else correct url:, organisation: or bucket: under stores.influx. It is tried again each minute"
	case busy:
		return health.Warn, at + " is too busy" + said + kept, "attempts go on as it asks; if this lasts, see its memory and disk"
	case trouble, refused: // refused: what it took before, too
		if a.status < 500 {
			return health.Bad, at + " answers as no receiver of points does" + said + kept, "check url: under stores.influx, and what stands between here and there; attempts go on"
		}
		return health.Warn, at + " fails" + said + kept, "see the server's log; attempts go on"
	}
	if errors.As(a.cause, new(noToken)) {
		return health.Bad, "there is no token for " + at + ": " + a.words() + kept, "token_file: under stores.influx must name a file with the token, which dwindle may read; it is read again for the next try"
	}
	return health.Warn, "no answer from " + at + ": " + a.words() + kept, "see that the server runs and that url: under stores.influx is right; attempts go on"
}

func tokenName(file string) string {
	if file == "" {
		return "a file that token_file: under stores.influx names"
	}
	return file
}

// points is a number of points in words.
func points(n int64) string {
	if n == 1 {
		return "1 point was"
	}
	return fmt.Sprintf("%d points were", n)
}

// rowsOf is how much waits, with a late range for a row.
func rowsOf(b Backlog) int64 { return b.Readings + b.Late + b.Facts + b.Lines }

// waiting is a backlog in words, as the end of a sentence.
func waiting(b Backlog, known bool, now time.Time) string {
	n := rowsOf(b)
	if !known || n == 0 {
		return ""
	}
	about := ""
	if b.Estimated {
		about = "about "
	}
	out := fmt.Sprintf("; %s%d wait", about, n)
	if n == 1 {
		out = "; 1 waits"
	}
	if !b.Oldest.IsZero() {
		out += ", the oldest from " + ago(now.Sub(b.Oldest))
	}
	return out
}

// ago is a time that has passed, in words.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s ago", max(int(d.Seconds()), 0))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}
