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
	"log/slog"
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

	mu     sync.Mutex // guards what follows
	alarms map[alarm.Key]*alarm.Alarm
	count  int64 // occurrences begun so far
}

// NewWatch loads the alarms of a ledger, once.
func NewWatch(ctx context.Context, l *ledger.Ledger, site func() *config.Site, log *slog.Logger) (*Watch, error) {
	w := &Watch{ledger: l, site: site, log: log, alarms: map[alarm.Key]*alarm.Alarm{}}
	all, err := l.Alarms(ctx)
	if err != nil {
		return nil, err
	}
	for i := range all {
		w.alarms[all[i].Key] = &all[i]
	}
	w.count, err = l.Occurrences(ctx)
	return w, err
}

// Evaluate looks at one pass: time is fleet.At. It returns what moved, after
// it is on disk.
func (w *Watch) Evaluate(ctx context.Context, fleet forecast.Fleet, src forecast.Source) ([]alarm.Transition, error) {
	return nil, nil
}

// Acknowledge says that a person has seen an occurrence.
func (w *Watch) Acknowledge(ctx context.Context, id, by, note string, at time.Time) error { return nil }

// WithdrawAck takes an acknowledgement back.
func (w *Watch) WithdrawAck(ctx context.Context, id, by, note string, at time.Time) error { return nil }

// Shelve keeps an alarm quiet until a time; the reason is mandatory.
func (w *Watch) Shelve(ctx context.Context, id, by, reason string, until, at time.Time) error {
	return nil
}

// Unshelve ends a shelving now.
func (w *Watch) Unshelve(ctx context.Context, id, by, note string, at time.Time) error { return nil }

// Reset ends a latched alarm whose cause is gone.
func (w *Watch) Reset(ctx context.Context, id, by, note string, at time.Time) error { return nil }
