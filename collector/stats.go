package collector

import (
	"context"
	"strings"
	"time"

	"dwindle/collector/journal"
)

// Stats counts since the journal began, over restarts.
type Stats struct {
	Received    int64            // messages and entries taken in
	Stored      int64            // of these, gave at least one new reading or fact
	Duplicates  int64            // of these, held nothing new
	Kept        map[string]int64 // kept aside, by reason
	Overwritten map[string]int64 // of these, dropped since to make room, by reason
	Unknown     int64            // of the kept ones, from devices that are not in the register
	Coerced     int64            // values and names that were written in another form and understood
	Missing     int64            // fields that were sent without a value
	BadTimes    int64            // messages whose own time could not be used
	Ignored     int64            // values that no mapping takes, in messages that were used
	Skipped     int64            // messages of topics that the site file wants ignored
	Commits     int64
	Rows        int64 // readings and facts written
	Queue       int   // waiting now
	QueueLimit  int   // that may wait

	// Since the program began.
	FailedCommits int64     // attempts that ended with an error; they are tried again
	LastCommit    time.Time // when the last commit ended well; zero before the first
	Latency       Latency
	Written       int64 // bytes that the whole program has sent towards disks, -1 where that is not known
	WrittenPerDay int64 // what a day comes to, -1 in the first hour and where it is not known
}

// pressedAt is how many messages wait when they come faster than they are decoded
// and committed: more than a moment brings.
const pressedAt = 100

// Pressed says that messages wait for the processor or the disk. Who has work
// that can wait should let the intake go first.
func (in *Intake) Pressed() bool { return len(in.queue) >= min(pressedAt, cap(in.queue)) }

// Stats counts since the journal began, over restarts.
func (in *Intake) Stats() Stats {
	s := Stats{
		Kept: map[string]int64{}, Overwritten: map[string]int64{},
		Queue: len(in.queue) + len(in.decoded), QueueLimit: cap(in.queue) + cap(in.decoded),
		FailedCommits: in.commits.failed.Load(), Latency: in.commits.latency(),
	}
	s.Written, s.WrittenPerDay = in.wear.total(), in.wear.perDay()
	if ms := in.commits.last.Load(); ms != 0 {
		s.LastCommit = time.UnixMilli(ms).UTC()
	}
	n, err := in.j.Counters(context.Background())
	if err != nil {
		return s // the writer counts in memory: unreachable
	}
	for name, count := range n {
		if reason, ok := strings.CutPrefix(name, journal.CountKept); ok {
			s.Kept[reason] = count
		}
		if reason, ok := strings.CutPrefix(name, journal.CountOverwritten); ok {
			s.Overwritten[reason] = count
		}
	}
	s.Received, s.Stored, s.Duplicates = n[journal.CountReceived], n[journal.CountStored], n[journal.CountDuplicates]
	s.Coerced, s.Missing, s.BadTimes = n[journal.CountCoerced], n[journal.CountMissing], n[journal.CountBadTime]
	s.Ignored, s.Skipped = n[journal.CountIgnored], n[journal.CountSkipped]
	s.Unknown, s.Commits, s.Rows = n[journal.CountUnknown], n[journal.CountCommits], n[journal.CountRows]
	return s
}
