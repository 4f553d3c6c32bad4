package journal

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// guard notices damage while the file is in use.
type guard struct {
	mu       sync.Mutex
	closing  bool
	checking bool
	found    chan struct{} // closed once the file is known to be damaged
	cause    error
}

// Damaged is closed when the file turns out to be damaged while it is in use:
// nothing more can be stored then, and it has to be replaced. Damage gives the
// reason.
func (j *Journal) Damaged() <-chan struct{} { return j.guard.found }

// Damage says what is wrong with the file, once Damaged is closed.
func (j *Journal) Damage() error {
	j.guard.mu.Lock()
	defer j.guard.mu.Unlock()
	return j.guard.cause
}

// fault is the function of the same name, and takes note of damage.
func (j *Journal) fault(err error) error {
	err = fault(j.path, err)
	if errors.Is(err, ErrDamaged) {
		j.suspect(err)
	}
	return err
}

// suspect has the file checked in the background: what one connection read
// wrongly, others may read well.
func (j *Journal) suspect(cause error) {
	g := &j.guard
	g.mu.Lock()
	defer g.mu.Unlock()
	if !j.writes || g.closing || g.checking || g.cause != nil || j.bg == nil {
		return
	}
	g.checking = true
	j.log.Error("the journal may be damaged; it is being checked", "file", j.path, "err", cause)
	j.background.Go(func() {
		j.check(j.bg, "integrity_check")
		g.mu.Lock()
		g.checking = false
		g.mu.Unlock()
	})
}

// condemn says that the file is damaged.
func (j *Journal) condemn(cause error) {
	g := &j.guard
	g.mu.Lock()
	first := g.cause == nil
	if first {
		g.cause = cause
		close(g.found)
	}
	g.mu.Unlock()
	if first {
		j.health.Set(checkFile, health.Bad, fmt.Sprintf("the journal is damaged: %v", cause), tryDamaged)
	}
}

const tryDamaged = "dwindle serve puts it aside and goes on from the newest snapshot by itself; where that fails, stop it and `dwindle restore` the newest backup"

// check looks for contradictions in the file, by one of SQLite's two checks,
// and reports to health.
func (j *Journal) check(ctx context.Context, how string) {
	err := fault(j.path, sound(ctx, j.reader, j.path, how))
	switch {
	case ctx.Err() != nil:
	case err == nil:
		j.log.Info("the journal is sound", "file", j.path)
		j.health.Set(checkFile, health.Ok, "", "")
	case errors.Is(err, ErrDamaged):
		j.condemn(err)
	default: // such as a disk that cannot be read now
		j.health.Set(checkFile, health.Warn, fmt.Sprintf("the check of %s could not be made: %v", j.path, err), "see the system's log for faults of the disk")
	}
}

// asker is one connection or some.
type asker interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// sound makes one of SQLite's checks; a file with contradictions is ErrDamaged.
func sound(ctx context.Context, db asker, path, how string) error {
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA "+how+"(1)").Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return fmt.Errorf("%w: %s: %s", ErrDamaged, path, verdict)
	}
	return nil
}

// whole refuses a file that is shorter than it says of itself. SQLite would
// notice only where it misses something. With a write-ahead log the file may
// lag behind, and the log completes it.
func whole(path string) error {
	if info, err := os.Stat(path + "-wal"); err == nil && info.Size() > 0 {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil // opening it will say more, or make it
	}
	defer f.Close()
	var head [100]byte // file format: page size at 16, counters at 24 and 92, pages at 28 (sqlite.org, Database File Format)
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return nil // empty or no database: told when opened
	}
	info, err := f.Stat()
	if err != nil || string(head[:16]) != "SQLite format 3\x00" {
		return nil
	}
	page := int64(binary.BigEndian.Uint16(head[16:]))
	if page == 1 {
		page = 65536
	}
	pages := int64(binary.BigEndian.Uint32(head[28:]))
	sure := binary.BigEndian.Uint32(head[24:]) == binary.BigEndian.Uint32(head[92:])
	if sure && info.Size() < page*pages {
		return fmt.Errorf("%w: %s has %d bytes and should have %d: it was cut off", ErrDamaged, path, info.Size(), page*pages)
	}
	return nil
}

// Wreck is a damaged journal, opened to save what can still be read in it.
type Wreck struct {
	db   *sql.DB
	path string
	// Lost counts stretches that could not be read.
	Lost int
}

// OpenWreck opens a damaged journal for reading. Close must follow.
func OpenWreck(path string) (*Wreck, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("open the damaged journal: %w", err)
	}
	db, err := sql.Open("sqlite", dsn(path, "ro", readerPragmas))
	if err != nil {
		return nil, fmt.Errorf("open the damaged journal %s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	return &Wreck{db: db, path: path}, nil
}

// Close closes the file.
func (w *Wreck) Close() error { return w.db.Close() }

// Counters gives what the damaged journal has counted, as far as it can be
// read: the numbers of a newer one go on from there.
func (w *Wreck) Counters(ctx context.Context) map[string]int64 {
	c, err := w.db.Conn(ctx)
	if err != nil {
		return nil
	}
	defer c.Close()
	n, err := counters(ctx, c)
	if err != nil {
		return nil
	}
	return n
}

// wreckAtOnce is how many rows are read and handed on at once.
const wreckAtOnce = 1000

// Entries hands on what can be read: readings by channel, each channel from its
// beginning up to where it is damaged and then from its end back to there; then
// facts. Raw messages, and what is derived, are not read; for messages kept
// aside see KeptAside. The channels have their numbers from a journal that goes
// on from a copy of the damaged one, where the damaged one cannot tell.
func (w *Wreck) Entries(ctx context.Context, copied *Journal, fn func(Batch) error) error {
	channels, err := w.channels(ctx)
	if err != nil {
		known, e := (&Wreck{db: copied.reader}).channels(ctx)
		if e == nil && len(known) > 0 {
			w.Lost++ // those of channels that are newer than the copy
			channels, err = known, nil
		}
	}
	if err != nil {
		return fmt.Errorf("read the channels of the damaged journal %s: %w", w.path, err)
	}
	for _, ch := range channels {
		table := "SELECT at, '', value, lag, flags FROM reading WHERE channel = ?1 AND at %s ?2 ORDER BY at %s"
		if ch.Quantity == reading.PulseIncrement {
			table = "SELECT at, id, value, lag, flags FROM increment WHERE channel = ?1 AND at %s ?2 ORDER BY at %s"
		}
		last, broken, err := w.walk(ctx, ch, fmt.Sprintf(table, ">", "ASC"), -1<<63, fn)
		if err != nil {
			return err
		}
		if broken == nil {
			continue
		}
		w.Lost++
		// Backwards, down to what was read already; where that fails, too, the
		// stretch between is lost.
		if _, _, err := w.walk(ctx, ch, fmt.Sprintf(table, ">", "DESC"), last, fn); err != nil {
			return err
		}
	}
	return w.facts(ctx, fn)
}

// KeptAside hands on what was kept aside after an instant, as far as it can be
// read. It is not known again by itself: it should be handed on once.
func (w *Wreck) KeptAside(ctx context.Context, after time.Time, fn func(Batch) error) error {
	rows, err := w.db.QueryContext(ctx, "SELECT received, device, reason, topic, payload, detail, retained FROM kept WHERE received > ? ORDER BY id", millis(after))
	if err != nil {
		w.Lost++
		return ctx.Err()
	}
	defer rows.Close()
	var b Batch
	for rows.Next() {
		var received int64
		var k Kept
		if rows.Scan(&received, &k.Device, &k.Reason, &k.Topic, &k.Payload, &k.Detail, &k.Retained) != nil {
			continue // not what belongs there
		}
		k.Received = time.UnixMilli(received).UTC()
		b = append(b, Entry{Kept: &k})
		if len(b) == wreckAtOnce {
			if err := fn(b); err != nil {
				return err
			}
			b = nil
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if rows.Err() != nil {
		w.Lost++
	}
	if len(b) > 0 {
		return fn(b)
	}
	return nil
}

type wreckChannel struct {
	reading.Channel
	id int64
}

func (w *Wreck) channels(ctx context.Context) ([]wreckChannel, error) {
	rows, err := w.db.QueryContext(ctx, "SELECT id, device, quantity FROM channel ORDER BY id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []wreckChannel
	for rows.Next() {
		var ch wreckChannel
		if err := rows.Scan(&ch.id, &ch.Device, &ch.Quantity); err != nil {
			break
		}
		out = append(out, ch)
	}
	if len(out) == 0 {
		return nil, rows.Err()
	}
	if rows.Err() != nil {
		w.Lost++
	}
	return out, nil
}

// walk hands on the readings of a channel until they end or cannot be read;
// last is the time of the last one.
func (w *Wreck) walk(ctx context.Context, ch wreckChannel, query string, from int64, fn func(Batch) error) (last int64, broken, err error) {
	last = from
	rows, broken := w.db.QueryContext(ctx, query, ch.id, from)
	if broken != nil {
		return last, broken, ctx.Err()
	}
	defer rows.Close()
	var b Batch
	for rows.Next() {
		var at int64
		var key string
		var o row
		if rows.Scan(&at, &key, &o.value, &o.lag, &o.flags) != nil {
			continue // not what belongs there
		}
		switch o.value.(type) {
		case int64, float64:
		default:
			continue
		}
		r := decode(ch.Channel, at, o)
		r.Key = key
		b = append(b, Entry{Readings: []reading.Reading{r}})
		last = at
		if len(b) == wreckAtOnce {
			if err := fn(b); err != nil {
				return last, nil, err
			}
			b = nil
		}
	}
	broken = rows.Err()
	if ctx.Err() != nil {
		return last, nil, ctx.Err()
	}
	if len(b) > 0 {
		err = fn(b)
	}
	return last, broken, err
}

func (w *Wreck) facts(ctx context.Context, fn func(Batch) error) error {
	for _, order := range []string{"ASC", "DESC"} {
		rows, err := w.db.QueryContext(ctx, "SELECT person, body FROM fact ORDER BY id "+order)
		if err != nil {
			w.Lost++
			continue
		}
		var b Batch
		for rows.Next() {
			var person bool
			var body []byte
			var f reading.Fact
			if rows.Scan(&person, &body) == nil && json.Unmarshal(body, &f) == nil && f.ID != "" {
				b = append(b, Entry{Facts: []reading.Fact{f}, Person: person})
			}
		}
		broken := rows.Err()
		rows.Close()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if len(b) > 0 {
			if err := fn(b); err != nil {
				return err
			}
		}
		if broken == nil {
			return nil
		}
		w.Lost++
	}
	return nil
}

// StoreAgain commits what was stored before, in another file: nothing of it is
// counted as received.
func (j *Journal) StoreAgain(ctx context.Context, b Batch) (Result, error) {
	return j.commit(ctx, b, &again{})
}

// RaiseCounters lifts counters to at least what is given, so that they go on
// where those of a lost journal had come to.
func (j *Journal) RaiseCounters(ctx context.Context, to map[string]int64) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	j.counting.Lock()
	for name, n := range to {
		if d := n - j.total[name]; d > 0 {
			j.count[name] += d
			j.total[name] += d
		}
	}
	j.counting.Unlock()
	release()
	return j.SaveCounters(ctx)
}
