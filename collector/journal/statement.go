package journal

import (
	"context"
	"database/sql"
	"fmt"

	"dwindle/collector/reading"
)

// The statements of the way that every message takes, prepared once.
const (
	stmtReading         = "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
	stmtReadingGet      = "SELECT value, lag, flags FROM reading WHERE channel = ? AND at = ?"
	stmtReadingUpdate   = "UPDATE reading SET value = ?, lag = ?, flags = ? WHERE channel = ? AND at = ?"
	stmtIncrement       = "INSERT INTO increment VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
	stmtIncrementGet    = "SELECT at, value, lag, flags FROM increment WHERE channel = ? AND id = ?"
	stmtIncrementUpdate = "UPDATE increment SET at = ?, value = ?, lag = ?, flags = ? WHERE channel = ? AND id = ?"
	stmtReadingPut      = "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET value = excluded.value, lag = excluded.lag, flags = excluded.flags"
	stmtIncrementPut    = "INSERT INTO increment VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET at = excluded.at, value = excluded.value, lag = excluded.lag, flags = excluded.flags"
	stmtTouched         = "INSERT INTO touched (device, kind, at) VALUES (?, ?, ?)"
	stmtKept            = "INSERT INTO kept (received, device, reason, topic, payload, detail, retained) VALUES (?, ?, ?, ?, ?, ?, ?)"
	stmtCounter         = "INSERT INTO counter VALUES (?, ?) ON CONFLICT DO UPDATE SET n = n + excluded.n"
	stmtSeries          = `INSERT INTO series (device, kind, rules, head_at, head_state, edition, open) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET rules = excluded.rules, head_at = excluded.head_at, head_state = excluded.head_state, open = excluded.open,
		edition = CASE ? WHEN 0 THEN edition ELSE max(edition + 1, excluded.edition) END RETURNING id`
	stmtOpen   = "SELECT open FROM series WHERE device = ? AND kind = ?"
	stmtBundle = "INSERT INTO bundle VALUES (?, ?) ON CONFLICT DO UPDATE SET body = excluded.body"
	// Only what rests on the derived data as they now are.
	stmtCut = `INSERT INTO cut SELECT id, ?1, ?2, ?3, ?4, ?5, ?6 FROM series WHERE device = ?7 AND kind = ?8 AND edition = ?9 AND head_at >= ?2
		ON CONFLICT DO UPDATE SET amount = excluded.amount, seen = excluded.seen, known = excluded.known, flags = excluded.flags`
	stmtCutOld = "DELETE FROM cut WHERE series = (SELECT id FROM series WHERE device = ? AND kind = ?) AND since < ?"
	// The same, and nothing was added to them.
	stmtDigest = `INSERT INTO digest SELECT id, ?1, ?2, ?3 FROM series WHERE device = ?4 AND kind = ?5 AND edition = ?6 AND head_at = ?7
		ON CONFLICT DO UPDATE SET day = excluded.day, mark = excluded.mark, body = excluded.body`
	stmtDigestDrop = "DELETE FROM digest WHERE series = ? AND day >= ?"
	stmtBundleGet  = "SELECT body FROM bundle WHERE place BETWEEN ? AND ? ORDER BY place"
	stmtCheckpoint = "INSERT INTO checkpoint VALUES (?, ?) ON CONFLICT DO UPDATE SET state = excluded.state"
)

// prepare readies the statements on the writing connection.
func (j *Journal) prepare(ctx context.Context) error {
	stmts := map[string]*sql.Stmt{}
	for _, text := range []string{
		stmtReading, stmtReadingGet, stmtReadingUpdate, stmtIncrement, stmtIncrementGet, stmtIncrementUpdate, stmtReadingPut, stmtIncrementPut,
		stmtTouched, stmtKept, stmtCounter, stmtSeries, stmtOpen, stmtBundle, stmtBundleGet, stmtCut, stmtCutOld, stmtDigest, stmtDigestDrop, stmtCheckpoint,
	} {
		s, err := j.w.PrepareContext(ctx, text)
		if err != nil {
			return fmt.Errorf("prepare %q on %s: %w", text, j.path, err)
		}
		stmts[text] = s
	}
	j.stmts = stmts
	return nil
}

// load reads what the writer has to know before the first commit.
func (j *Journal) load(ctx context.Context) error {
	j.known = cache{channels: map[reading.Channel]int64{}, newest: map[Series]int64{}, unknown: -1}
	j.count, j.total = map[string]int64{}, map[string]int64{}
	rows, err := j.w.QueryContext(ctx, "SELECT id, device, quantity FROM channel")
	if err != nil {
		return fmt.Errorf("read the channels of %s: %w", j.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var ch reading.Channel
		if err := rows.Scan(&id, &ch.Device, &ch.Quantity); err != nil {
			return fmt.Errorf("read the channels of %s: %w", j.path, err)
		}
		j.known.channels[ch] = id
		j.noteChannel(ch, id)
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read the channels of %s: %w", j.path, err)
	}
	if err := j.loadAged(ctx); err != nil {
		return fmt.Errorf("read what has aged of %s: %w", j.path, err)
	}
	total, err := counters(ctx, j.w)
	if err != nil {
		return fmt.Errorf("read the counters of %s: %w", j.path, err)
	}
	j.total = total
	return j.loadForward(ctx)
}
