package station

import (
	"context"
	"io"
	"time"

	"dwindle/collector"
	"dwindle/collector/reading"
)

// Desk is where writing verbs hand in what people did and decided. It is the
// process that serves, reached through its socket, or else this process, which
// then holds the data directory until Close.
type Desk interface {
	// Record commits dated facts and returns after the commit. A fact that is
	// known already is no error.
	Record(ctx context.Context, facts ...reading.Fact) error
	// Replay feeds a log of messages through the intake and returns when all
	// of it is committed and the daily figures follow from it.
	Replay(ctx context.Context, log io.Reader) (Replayed, error)
	// Rerun runs messages that came before through the intake once more and
	// returns when the daily figures follow from them.
	Rerun(ctx context.Context, opt collector.RerunOptions) (collector.Rerun, error)
	// Decide changes the state of an alarm.
	Decide(ctx context.Context, d Decision) error
	// Learn makes a calibration from the past up to the day before an instant
	// and keeps it.
	Learn(ctx context.Context, at time.Time) (Learned, error)
	// Resend has what InfluxDB refused sent again, and gives how many points that
	// are.
	Resend(ctx context.Context) (int, error)
	// Close frees what the desk holds.
	Close() error
}

// Replayed says what became of a log.
type Replayed struct {
	Lines      int64            `json:"lines"`
	Stored     int64            `json:"stored"`     // messages that gave at least one new reading or fact
	Duplicates int64            `json:"duplicates"` // known already
	Kept       map[string]int64 `json:"kept_aside"` // by reason
	// Faults are the first lines that were no messages; FaultCount counts all.
	Faults     []string `json:"faults,omitempty"`
	FaultCount int64    `json:"fault_count"`
}

// Verb is what is decided about an alarm.
type Verb string

// The decisions.
const (
	Acknowledge Verb = "acknowledge"
	Withdraw    Verb = "withdraw" // take an acknowledgement back
	Shelve      Verb = "shelve"
	Unshelve    Verb = "unshelve"
	Reset       Verb = "reset" // end a latched alarm
)

// Decision is what a person decides about one alarm.
type Decision struct {
	Verb  Verb      `json:"verb"`
	ID    string    `json:"id"` // occurrence
	By    string    `json:"by"`
	Note  string    `json:"note,omitempty"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"` // shelve
}
