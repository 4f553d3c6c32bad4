package journal

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"dwindle/collector/reading"
)

// noticesMost bounds the notices that are kept; the oldest of those that are
// over go first.
const noticesMost = 10_000

const noticeColumns = "kind, device, about, at, until, words, evidence, data"

// Note keeps notices. One of the same kind, device, about and time takes the
// place of the old one; without words it only says when that one was over.
func (j *Journal) Note(ctx context.Context, list ...reading.Notice) error {
	return j.write(ctx, "keep what was noticed", func(ctx context.Context) error { return j.saveNotices(ctx, list) })
}

// Renote gives up all notices of a kind and keeps others instead.
func (j *Journal) Renote(ctx context.Context, kind string, list ...reading.Notice) error {
	return j.write(ctx, "keep what was noticed", func(ctx context.Context) error {
		if _, err := j.w.ExecContext(ctx, "DELETE FROM notice WHERE kind = ?", kind); err != nil {
			return err
		}
		return j.saveNotices(ctx, list)
	})
}

func (j *Journal) saveNotices(ctx context.Context, list []reading.Notice) error {
	for i := range list {
		n := &list[i]
		var until *int64
		if !n.Lasts() {
			ms := n.Until.UnixMilli()
			until = &ms
		}
		var err error
		if n.Words == "" {
			_, err = j.w.ExecContext(ctx, "UPDATE notice SET until = ? WHERE device = ? AND about = ? AND kind = ? AND at = ?", until, n.Device, n.About, n.Kind, n.At.UnixMilli())
		} else {
			_, err = j.w.ExecContext(ctx, "INSERT INTO notice ("+noticeColumns+") VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (device, about, kind, at) DO UPDATE SET until = excluded.until, words = excluded.words, evidence = excluded.evidence, data = excluded.data",
				n.Kind, n.Device, n.About, n.At.UnixMilli(), until, n.Words, n.Evidence, n.Data)
		}
		if err != nil {
			return fmt.Errorf("notice %s of %s: %w", n.Kind, n.Device, err)
		}
	}
	if len(list) == 0 {
		return nil
	}
	_, err := j.w.ExecContext(ctx, "DELETE FROM notice WHERE id IN (SELECT id FROM notice ORDER BY until IS NULL DESC, at DESC, id DESC LIMIT -1 OFFSET ?)", noticesMost)
	return err
}

// unnote gives up what followed from the readings of a series from a time on:
// what began then never was, and what was over then lasts again.
func (j *Journal) unnote(ctx context.Context, series Series, from int64) error {
	if _, err := j.w.ExecContext(ctx, "DELETE FROM notice WHERE device = ? AND about = ? AND at >= ?", series.Device, string(series.Kind), from); err != nil {
		return err
	}
	_, err := j.w.ExecContext(ctx, "UPDATE notice SET until = NULL WHERE device = ? AND about = ? AND until >= ? AND until > at", series.Device, string(series.Kind), from)
	return err
}

// Notices gives what was noticed, newest first, at most limit. kind, if not
// empty, gives those of one kind; with lasting only what is not over.
func (j *Journal) Notices(ctx context.Context, kind string, lasting bool, limit int) ([]reading.Notice, error) {
	text := "SELECT " + noticeColumns + " FROM notice WHERE (? = '' OR kind = ?)"
	if lasting {
		text += " AND until IS NULL"
	}
	rows, err := j.reader.QueryContext(ctx, text+" ORDER BY at DESC, device, about, kind LIMIT ?", kind, kind, limit)
	if err != nil {
		return nil, fmt.Errorf("list what was noticed, from %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []reading.Notice
	for rows.Next() {
		var n reading.Notice
		var at int64
		var until sql.NullInt64
		if err := rows.Scan(&n.Kind, &n.Device, &n.About, &at, &until, &n.Words, &n.Evidence, &n.Data); err != nil {
			return nil, fmt.Errorf("list what was noticed, from %s: %w", j.path, j.fault(err))
		}
		n.At = time.UnixMilli(at).UTC()
		if until.Valid {
			n.Until = time.UnixMilli(until.Int64).UTC()
		}
		out = append(out, n)
	}
	return out, rows.Err()
}
