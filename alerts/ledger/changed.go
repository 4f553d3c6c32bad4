package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"dwindle/alerts/alarm"
)

// Changed gives the occurrences that transitions after a sequence number are
// about, each once as it is now, by the newest of these transitions, and the
// number up to which that is; at most so many transitions are looked at. Where
// there is none, upTo is the newest there is: a number before after says that
// this is not the ledger that after came from.
func (l *Ledger) Changed(ctx context.Context, after int64, limit int) (rows []alarm.Row, upTo int64, err error) {
	const newest = `SELECT coalesce(max(seq), 0) FROM (SELECT seq FROM transition WHERE seq > ? ORDER BY seq LIMIT ?)`
	if err := l.read.QueryRowContext(ctx, newest, after, limit).Scan(&upTo); err != nil {
		return nil, 0, fmt.Errorf("read ledger %s: transitions: %w", l.path, fault(l.path, err))
	}
	if upTo == 0 {
		if err := l.read.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM transition`).Scan(&upTo); err != nil {
			return nil, 0, fmt.Errorf("read ledger %s: transitions: %w", l.path, fault(l.path, err))
		}
		return nil, upTo, nil
	}
	const moved = `SELECT o.row FROM (SELECT occurrence, max(seq) AS last FROM transition WHERE seq > ? AND seq <= ? GROUP BY occurrence) t
		JOIN occurrence o ON o.id = t.occurrence ORDER BY t.last`
	err = l.each(ctx, "occurrences", moved, []any{after, upTo}, func(r *sql.Rows) error {
		var text string
		if err := r.Scan(&text); err != nil {
			return err
		}
		var row alarm.Row
		if err := json.Unmarshal([]byte(text), &row); err != nil {
			return err
		}
		rows = append(rows, row)
		return nil
	})
	return rows, upTo, err
}
