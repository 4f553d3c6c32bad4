package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dwindle/alerts/alarm"
)

// Change is what one evaluation, or one decision of a person, changes. It is
// written whole or not at all.
type Change struct {
	// Alarms are the facts to keep, by key.
	Alarms []alarm.Alarm
	// Gone are keys whose subject left the register.
	Gone []alarm.Key
	// Occurrences are new or renewed.
	Occurrences []Occurrence
	Transitions []alarm.Transition
	Log         []Entry
}

// Empty says that there is nothing to write.
func (c *Change) Empty() bool {
	return len(c.Alarms) == 0 && len(c.Gone) == 0 && len(c.Occurrences) == 0 && len(c.Transitions) == 0 && len(c.Log) == 0
}

// Occurrence is one occurrence as people read it.
type Occurrence struct {
	Subject string
	Listed  bool // belongs in the alarm list
	Row     alarm.Row
}

// Entry is one line of the logbook.
type Entry struct {
	Seq    int64     `json:"seq"`
	At     time.Time `json:"at"`
	Actor  string    `json:"actor"`
	Action string    `json:"action"`
	Object string    `json:"object"`
	Before string    `json:"before,omitempty"`
	After  string    `json:"after,omitempty"`
	Reason string    `json:"reason,omitempty"`
	// Ref, if set, makes the entry unique: a second one with it is passed
	// over, so that what was noted before a restart is not noted again.
	Ref string `json:"-"`
}

// Commit writes a change in one transaction and returns when it is on disk.
func (l *Ledger) Commit(ctx context.Context, c Change) error {
	if l.write == nil {
		return fmt.Errorf("write ledger %s: it was opened for reading only", l.path)
	}
	if c.Empty() {
		return nil
	}
	tx, err := l.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("write ledger %s: %w", l.path, fault(l.path, err))
	}
	err = put(ctx, tx, &c)
	if err == nil {
		err = l.inPlace()
	}
	if err != nil {
		return fmt.Errorf("write ledger %s: %w", l.path, errors.Join(fault(l.path, err), tx.Rollback()))
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("write ledger %s: %w", l.path, fault(l.path, err))
	}
	return nil
}

func put(ctx context.Context, tx *sql.Tx, c *Change) error {
	for i := range c.Alarms {
		a := &c.Alarms[i]
		facts, err := json.Marshal(a)
		if err != nil {
			return fmt.Errorf("alarm %s %s: %w", a.Type, a.Subject, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO alarm (type, subject, facts) VALUES (?, ?, ?)
			ON CONFLICT (type, subject) DO UPDATE SET facts = excluded.facts`, string(a.Type), a.Subject, string(facts)); err != nil {
			return fmt.Errorf("alarm %s %s: %w", a.Type, a.Subject, err)
		}
	}
	for _, k := range c.Gone {
		if _, err := tx.ExecContext(ctx, `DELETE FROM alarm WHERE type = ? AND subject = ?`, string(k.Type), k.Subject); err != nil {
			return fmt.Errorf("alarm %s %s: %w", k.Type, k.Subject, err)
		}
	}
	for i := range c.Occurrences {
		o := &c.Occurrences[i]
		row, err := json.Marshal(&o.Row)
		if err != nil {
			return fmt.Errorf("occurrence %s: %w", o.Row.ID, err)
		}
		var ended any
		if o.Row.Ended != nil {
			ended = o.Row.Ended.UnixMilli()
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO occurrence (id, type, subject, point, began, ended, listed, row) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET ended = excluded.ended, listed = excluded.listed, row = excluded.row`,
			o.Row.ID, string(o.Row.Type), o.Subject, o.Row.Point, o.Row.Since.UnixMilli(), ended, o.Listed, string(row)); err != nil {
			return fmt.Errorf("occurrence %s: %w", o.Row.ID, err)
		}
	}
	for i := range c.Transitions {
		t := &c.Transitions[i]
		body, err := json.Marshal(t)
		if err != nil {
			return fmt.Errorf("transition of %s: %w", t.Occurrence, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO transition (at, occurrence, body) VALUES (?, ?, ?)`, t.At.UnixMilli(), t.Occurrence, string(body)); err != nil {
			return fmt.Errorf("transition of %s: %w", t.Occurrence, err)
		}
	}
	for _, e := range c.Log {
		if _, err := tx.ExecContext(ctx, `INSERT INTO logbook (at, actor, action, object, before, after, reason, ref) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (ref) DO NOTHING`,
			e.At.UnixMilli(), e.Actor, e.Action, e.Object, e.Before, e.After, e.Reason, sql.NullString{String: e.Ref, Valid: e.Ref != ""}); err != nil {
			return fmt.Errorf("logbook: %w", err)
		}
	}
	return nil
}
