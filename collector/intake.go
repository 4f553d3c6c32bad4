// Package collector is the way from message to disk to daily figures: the
// intake that receives, decodes, vets, commits and only then acknowledges,
// and the history that reads back what was observed.
//
// It ties its sub-packages together and is imported by forecast's callers,
// never by them. Start with [NewIntake] and [NewHistory].
package collector

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

var errNotBuilt = errors.New("collector: not built yet")

// Intake is the one way in for messages and for what people enter.
type Intake struct{}

// Stats counts what the intake has done.
type Stats struct {
	Received   int64 // messages and entries taken in
	Stored     int64 // of these, gave at least one new reading or fact
	Duplicates int64 // of these, were known already
	Kept       map[string]int64
	Unknown    int64 // of the kept ones, from devices that are not in the register
	Commits    int64
	Rows       int64 // readings and facts written
	Queue      int   // messages waiting now
}

// Event tells that something new was committed. Events coalesce: one may stand
// for many commits.
type Event struct {
	Devices []string // that have something new, sorted
	Facts   bool     // a dated fact is among it
}

// NewIntake makes an intake; Run starts it.
func NewIntake(site func() *config.Site, j *journal.Journal, checks *health.Checks, log *slog.Logger) *Intake {
	return &Intake{}
}

// Run takes messages until ctx ends, then drains the queue.
func (in *Intake) Run(ctx context.Context) error { return errNotBuilt }

// Submit hands a message in; it blocks while the queue is full. When it
// returns an error Done is not called.
func (in *Intake) Submit(ctx context.Context, m reading.Message) error { return errNotBuilt }

// Record commits dated facts that people entered and returns after the commit.
func (in *Intake) Record(ctx context.Context, facts ...reading.Fact) error { return errNotBuilt }

// Flush returns when everything submitted before is committed and the daily
// figures follow from it.
func (in *Intake) Flush(ctx context.Context) error { return errNotBuilt }

// Watch gives coalesced events after commits until stop is called, which
// closes the channel.
func (in *Intake) Watch() (events <-chan Event, stop func()) { return nil, func() {} }

// Stats counts since the journal began.
func (in *Intake) Stats() Stats { return Stats{} }

// History reads the observed past.
type History struct{}

// NewHistory makes a history over a journal.
func NewHistory(j *journal.Journal, site func() *config.Site) *History { return &History{} }

// AsOf gives the same history as it could be known at an instant: later
// readings and facts do not exist for it.
func (h *History) AsOf(at time.Time) *History { return h }

// Days gives daily figures.
func (h *History) Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	return nil, errNotBuilt
}

// Amount gives what was counted between two instants.
func (h *History) Amount(ctx context.Context, device string, kind reading.Kind, from, to time.Time) (reading.Amount, error) {
	return reading.Amount{}, errNotBuilt
}

// Levels gives the last valid level reading per civil day and quantity.
func (h *History) Levels(ctx context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	return nil, errNotBuilt
}

// Facts gives the dated facts at or before an instant, corrections applied.
func (h *History) Facts(ctx context.Context, until time.Time) ([]reading.Fact, error) {
	return nil, errNotBuilt
}

// LastSeen gives a device's newest live reading at or before an instant.
func (h *History) LastSeen(ctx context.Context, device string, until time.Time) (time.Time, time.Duration, bool, error) {
	return time.Time{}, 0, false, errNotBuilt
}
