package alerts

import (
	"context"
	"fmt"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
)

// Acknowledge says that a person has seen an occurrence. Like all decisions it
// is on disk and in the logbook when it returns; one that cannot be taken is
// an [alarm.RefusedError].
func (w *Watch) Acknowledge(ctx context.Context, id, by, note string, at time.Time) error {
	return w.decide(ctx, id, "acknowledged", by, note, at, func(a alarm.Alarm, _ string) (alarm.Result, error) {
		return alarm.Acknowledge(a, by, note, at)
	})
}

// WithdrawAck takes an acknowledgement back.
func (w *Watch) WithdrawAck(ctx context.Context, id, by, note string, at time.Time) error {
	return w.decide(ctx, id, "acknowledgement withdrawn", by, note, at, func(a alarm.Alarm, _ string) (alarm.Result, error) {
		return alarm.Withdraw(a, by, note, at)
	})
}

// Shelve keeps an alarm quiet until a time; the reason is mandatory, and the
// longest time depends on the priority.
func (w *Watch) Shelve(ctx context.Context, id, by, reason string, until, at time.Time) error {
	return w.decide(ctx, id, "shelved", by, reason, at, func(a alarm.Alarm, _ string) (alarm.Result, error) {
		return alarm.Shelve(a, by, reason, until, false, w.timing, at)
	})
}

// Unshelve ends a shelving now. If the condition is still there, a new
// occurrence is announced.
func (w *Watch) Unshelve(ctx context.Context, id, by, note string, at time.Time) error {
	return w.decide(ctx, id, "unshelved", by, note, at, func(a alarm.Alarm, newID string) (alarm.Result, error) {
		return alarm.Unshelve(a, by, note, at, newID)
	})
}

// Reset ends a latched alarm whose cause is gone and which was acknowledged.
func (w *Watch) Reset(ctx context.Context, id, by, note string, at time.Time) error {
	return w.decide(ctx, id, "reset", by, note, at, func(a alarm.Alarm, _ string) (alarm.Result, error) {
		return alarm.Reset(a, by, note, at)
	})
}

func (w *Watch) decide(ctx context.Context, id, action, by, note string, at time.Time, do func(a alarm.Alarm, newID string) (alarm.Result, error)) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	var old alarm.Alarm
	found := false
	for _, a := range w.alarms {
		if a.Occurrence == id && id != "" {
			old, found = a, true
			break
		}
	}
	if !found {
		return &alarm.RefusedError{
			What: fmt.Sprintf("no open alarm is called %q", id),
			Try:  "the id of a row of dwindle alarms; one that gave way to a newer occurrence cannot be decided on any more",
		}
	}
	s := w.stage()
	r, err := do(old, s.newID())
	if err != nil {
		return err
	}
	s.take(old, r)
	object := old.Subject
	if old.Seen.Point != "" {
		object = old.Seen.Point
	}
	s.change.Log = append(s.change.Log, ledger.Entry{
		At: at.UTC(), Actor: by, Action: action, Object: object,
		Before: fmt.Sprintf("%s %s %s", id, old.Type, old.State()), After: string(r.Alarm.State()), Reason: note,
	})
	_, err = s.commit(ctx)
	return err
}
