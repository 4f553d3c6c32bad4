package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
)

// Remember keeps a short text under a name, over restarts. It is written with
// the counters, at least once a minute while the intake runs, so a crash may
// lose the last minute's. It never waits for a commit: whoever decodes asks.
func (j *Journal) Remember(name, text string) {
	if !j.writes {
		return
	}
	j.notesMu.Lock()
	defer j.notesMu.Unlock()
	if j.notes == nil {
		j.notes = map[string]string{}
	}
	j.notes[name] = text
}

// Remembered gives what was kept under a name; empty: nothing was.
func (j *Journal) Remembered(ctx context.Context, name string) (text string, err error) {
	if j.writes {
		j.notesMu.Lock()
		text, ok := j.notes[name]
		j.notesMu.Unlock()
		if ok {
			return text, nil
		}
	}
	if text, err = metaOf(ctx, j.reader, name); err != nil {
		return "", fmt.Errorf("read %s in %s: %w", name, j.path, j.fault(err))
	}
	return text, nil
}

// writeNotes is part of the transaction that writes the counters.
func (j *Journal) writeNotes(ctx context.Context) error {
	j.notesMu.Lock()
	notes := maps.Clone(j.notes)
	j.notesMu.Unlock()
	for name, text := range notes {
		if err := j.setMeta(ctx, name, text); err != nil {
			return err
		}
	}
	return nil
}

// metaOf reads a value of the file's own state.
func metaOf(ctx context.Context, db asker, name string) (text string, err error) {
	err = db.QueryRowContext(ctx, "SELECT value FROM meta WHERE name = ?", name).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return text, err
}

// setMeta writes such a value. The caller has the writing connection.
func (j *Journal) setMeta(ctx context.Context, name, text string) error {
	_, err := j.w.ExecContext(ctx, "INSERT INTO meta VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value WHERE value <> excluded.value", name, text)
	return err
}
