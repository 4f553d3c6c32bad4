package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"dwindle/alerts/alarm"
)

// Alarms gives the facts of all alarms, for the watch to start from.
func (l *Ledger) Alarms(ctx context.Context) ([]alarm.Alarm, error) {
	var out []alarm.Alarm
	err := l.each(ctx, "alarms", `SELECT facts FROM alarm ORDER BY type, subject`, nil, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		var a alarm.Alarm
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			return err
		}
		out = append(out, a)
		return nil
	})
	return out, err
}

// Filter selects occurrences. The zero value selects the alarm list of now.
type Filter struct {
	// History adds what has ended and was seen, newest first.
	History bool
	From    time.Time // only occurrences that were open at or after
	To      time.Time // only occurrences that began before
	Point   string
	Type    alarm.Type
	Limit   int // 0: no limit
}

// Rows gives occurrences: the list in the order of what to do first, the
// history by time with the newest first.
func (l *Ledger) Rows(ctx context.Context, f Filter) ([]alarm.Row, error) {
	var where []string
	var args []any
	add := func(clause string, arg ...any) { where, args = append(where, clause), append(args, arg...) }
	if !f.History {
		add("listed = 1")
	}
	if !f.From.IsZero() {
		add("(ended IS NULL OR ended >= ?)", f.From.UnixMilli())
	}
	if !f.To.IsZero() {
		add("began < ?", f.To.UnixMilli())
	}
	if f.Point != "" {
		add("point = ?", f.Point)
	}
	if f.Type != "" {
		add("type = ?", string(f.Type))
	}
	query := `SELECT row FROM occurrence`
	if len(where) > 0 {
		query += " WHERE " + strings.Join(where, " AND ")
	}
	limit := f.Limit
	if limit <= 0 {
		limit = math.MaxInt32
	}
	query += " ORDER BY began DESC, id DESC LIMIT ?"
	var out []alarm.Row
	err := l.each(ctx, "occurrences", query, append(args, limit), func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		var r alarm.Row
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			return err
		}
		out = append(out, r)
		return nil
	})
	if !f.History {
		alarm.SortRows(out)
	}
	return out, err
}

// Occurrences counts all occurrences ever begun; the next id follows from it.
func (l *Ledger) Occurrences(ctx context.Context) (int64, error) {
	var n int64
	if err := l.read.QueryRowContext(ctx, `SELECT count(*) FROM occurrence`).Scan(&n); err != nil {
		return 0, fmt.Errorf("read ledger %s: occurrences: %w", l.path, err)
	}
	return n, nil
}

// Transitions gives the steps of one occurrence, or of all if it is empty, in
// the order in which they were written.
func (l *Ledger) Transitions(ctx context.Context, occurrence string) ([]alarm.Transition, error) {
	query, args := `SELECT body FROM transition ORDER BY seq`, []any(nil)
	if occurrence != "" {
		query, args = `SELECT body FROM transition WHERE occurrence = ? ORDER BY seq`, []any{occurrence}
	}
	var out []alarm.Transition
	err := l.each(ctx, "transitions", query, args, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		var t alarm.Transition
		if err := json.Unmarshal([]byte(text), &t); err != nil {
			return err
		}
		out = append(out, t)
		return nil
	})
	return out, err
}

// Logbook gives entries, newest first; of one object if it is not empty.
func (l *Ledger) Logbook(ctx context.Context, object string, limit int) ([]Entry, error) {
	if limit <= 0 {
		limit = math.MaxInt32
	}
	query, args := `SELECT seq, at, actor, action, object, before, after, reason FROM logbook ORDER BY seq DESC LIMIT ?`, []any{limit}
	if object != "" {
		query, args = `SELECT seq, at, actor, action, object, before, after, reason FROM logbook WHERE object = ? ORDER BY seq DESC LIMIT ?`, []any{object, limit}
	}
	var out []Entry
	err := l.each(ctx, "logbook", query, args, func(rows *sql.Rows) error {
		var e Entry
		var at int64
		if err := rows.Scan(&e.Seq, &at, &e.Actor, &e.Action, &e.Object, &e.Before, &e.After, &e.Reason); err != nil {
			return err
		}
		e.At = time.UnixMilli(at).UTC()
		out = append(out, e)
		return nil
	})
	return out, err
}

func (l *Ledger) each(ctx context.Context, what, query string, args []any, take func(*sql.Rows) error) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("read ledger %s: %s: %w", l.path, what, fault(l.path, err))
		}
	}()
	rows, err := l.read.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := take(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
