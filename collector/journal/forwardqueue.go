package journal

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"hash/fnv"
	"maps"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/reading"
)

// Bounds of the lines that wait: those of some weeks for a fleet of thousands.
const (
	linesMost      = 200_000
	linesBytesMost = 64 << 20
	lineRow        = 64 // bytes that a row takes beside its text, roughly
)

// lineQueue is the accounting of the lines that wait.
type lineQueue struct {
	bytes map[string]int64 // by kind
	total int64
	rows  int64
}

// ErrLine means that something is no line of line protocol.
var ErrLine = fmt.Errorf("%w: no line of line protocol", ErrRefused)

// placeOfLine gives what a line is about: its measurement, and a digest of its
// series and time, under which the receiver keeps one value of each field.
func placeOfLine(line []byte) (kind string, place int64, err error) {
	head := lineEnd(line, ' ')
	if head <= 0 || head == len(line) || line[0] == '#' || bytes.IndexByte(line, '\n') >= 0 { // a comment is about nothing
		return "", 0, fmt.Errorf("%w: %.80q", ErrLine, line)
	}
	h := fnv.New64a()
	_, _ = h.Write(line[:head]) // a hash takes everything
	if last := bytes.LastIndexByte(line, ' '); last > head {
		if _, err := strconv.ParseInt(string(line[last+1:]), 10, 64); err == nil {
			_, _ = h.Write(line[last:])
		}
	}
	return string(line[:lineEnd(line[:head], ',')]), int64(h.Sum64()), nil
}

// lineEnd finds the first byte that is not escaped, or the end.
func lineEnd(line []byte, b byte) int {
	for i := 0; i < len(line); i++ {
		switch line[i] {
		case '\\':
			i++
		case b:
			return i
		}
	}
	return len(line)
}

// QueueLines has lines of line protocol sent, each with its time: they are on
// disk when it returns. A line takes the place of one of the same series and time
// that waits, and of one that was refused. Of too many (200,000, or 64 MB) the
// oldest of the same measurement go, and if there are no more of it, the oldest
// of the one that takes most; both are counted. Without an outbox nothing happens.
func (j *Journal) QueueLines(ctx context.Context, lines [][]byte) error {
	release, err := j.hold()
	if err != nil {
		return fmt.Errorf("queue %d lines: %w", len(lines), err)
	}
	defer release()
	f := j.fwd
	if f == nil || len(lines) == 0 {
		return nil
	}
	ctx = context.WithoutCancel(ctx)
	counts := map[string]int64{}
	err = inTx(ctx, j.w, func() error {
		if err := j.countLines(ctx); err != nil {
			return err
		}
		for _, line := range lines {
			if err := j.queueLine(ctx, line, counts); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		f.lines, j.refused.bytes = nil, -1 // counted anew
		return fmt.Errorf("queue %d lines: %w", len(lines), j.fault(err))
	}
	j.refused.change.Add(1)
	j.countMore(counts)
	f.wake()
	return nil
}

// countLines counts what waits, once.
func (j *Journal) countLines(ctx context.Context) error {
	if j.fwd.lines != nil {
		return nil
	}
	rows, err := j.w.QueryContext(ctx, "SELECT kind, count(*), sum(octet_length(line) + ?) FROM forward_line GROUP BY kind", lineRow)
	if err != nil {
		return err
	}
	defer rows.Close()
	q := &lineQueue{bytes: map[string]int64{}}
	for rows.Next() {
		var kind string
		var n, size int64
		if err := rows.Scan(&kind, &n, &size); err != nil {
			return err
		}
		q.bytes[kind] = size
		q.total += size
		q.rows += n
	}
	j.fwd.lines = q
	return rows.Err()
}

func (j *Journal) queueLine(ctx context.Context, line []byte, counts map[string]int64) error {
	kind, place, err := placeOfLine(line)
	if err != nil {
		return err
	}
	if err := j.dropLines(ctx, nil, "place = ?", place); err != nil {
		return err
	}
	if err := j.dropRefused(ctx, nil, "place = ?", place); err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "INSERT INTO forward_line (kind, place, line) VALUES (?, ?, ?)", kind, place, line); err != nil {
		return err
	}
	q := j.fwd.lines
	size := int64(len(line)) + lineRow
	q.bytes[kind] += size
	q.total += size
	q.rows++
	for q.rows > linesMost || q.total > j.fwd.linesMax {
		from := kind
		if q.bytes[kind] <= size { // the line alone
			for k, n := range q.bytes {
				if n > q.bytes[from] || n == q.bytes[from] && k < from {
					from = k
				}
			}
		}
		// Some at once, so that the work is not done for every line.
		if err := j.dropLines(ctx, counts, "seq IN (SELECT seq FROM forward_line WHERE kind = ? ORDER BY seq LIMIT 64)", from); err != nil {
			return err
		}
	}
	return nil
}

// dropLines takes lines out of the queue; they are counted as given up unless
// counts is nil.
func (j *Journal) dropLines(ctx context.Context, counts map[string]int64, where string, arg any) error {
	rows, err := j.w.QueryContext(ctx, "DELETE FROM forward_line WHERE "+where+" RETURNING kind, octet_length(line) + ?2", arg, lineRow)
	if err != nil {
		return err
	}
	defer rows.Close()
	q := j.fwd.lines
	for rows.Next() {
		var kind string
		var size int64
		if err := rows.Scan(&kind, &size); err != nil {
			return err
		}
		q.total -= size
		q.rows--
		if q.bytes[kind] -= size; q.bytes[kind] <= 0 {
			delete(q.bytes, kind)
		}
		if counts != nil {
			counts[CountGivenUp+kind]++
		}
	}
	return rows.Err()
}

// refusedAtOnce is how many lines make room at once.
const refusedAtOnce = 256

// keepRefused puts lines aside; part of a transaction. What makes room is counted
// by its reason, and what comes without a line as given up.
func (j *Journal) keepRefused(ctx context.Context, list []Refused, counts map[string]int64) error {
	now := time.Now().UnixMilli()
	for i := range list {
		r := &list[i]
		if len(r.Line) == 0 {
			counts[CountGivenUp+r.Reason]++
			continue
		}
		kind, place, err := placeOfLine(r.Line)
		if err != nil { // perhaps that is why
			h := fnv.New64a()
			_, _ = h.Write(r.Line)
			kind, place = "", int64(h.Sum64())
		}
		var there bool
		if err := j.w.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM refused WHERE place = ?)", place).Scan(&there); err != nil {
			return err
		}
		if !there {
			counts[CountRefused+r.Reason]++
		} else if err := j.dropRefused(ctx, nil, "place = ?", place); err != nil {
			return err
		}
		var channel, at, fact any
		if id, ok := j.known.channels[r.Channel]; ok {
			channel, at = id, r.At.UnixMilli()
		}
		if r.Fact != "" {
			fact = r.Fact
		}
		if _, err := j.w.ExecContext(ctx, "INSERT INTO refused (at, reason, status, words, kind, place, line, channel, time, fact) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
			now, r.Reason, r.Status, r.Words, kind, place, r.Line, channel, at, fact); err != nil {
			return err
		}
		if j.refused.bytes >= 0 {
			j.refused.bytes += int64(len(r.Line)+len(r.Words)) + keptRow
		}
	}
	return j.boundRefused(ctx, now, counts)
}

// refusedRing is the accounting of what was refused.
type refusedRing struct {
	limit  int64
	bytes  int64        // -1: not counted yet
	pruned int64        // when age was last looked at, ms
	change atomic.Int64 // counts transactions that may have changed it

	mu      sync.Mutex
	counted int64 // change when it was counted, -1: never
	reasons map[string]int64
}

// refusedByReason counts what is kept; the writer does so only when it has changed.
func (j *Journal) refusedByReason(ctx context.Context) (map[string]int64, error) {
	x := &j.refused
	x.mu.Lock()
	defer x.mu.Unlock()
	change := x.change.Load()
	if j.writes && x.counted == change {
		return maps.Clone(x.reasons), nil
	}
	rows, err := j.reader.QueryContext(ctx, "SELECT reason, count(*) FROM refused GROUP BY reason")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	reasons := map[string]int64{}
	for rows.Next() {
		var reason string
		var n int64
		if err := rows.Scan(&reason, &n); err != nil {
			return nil, err
		}
		reasons[reason] = n
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	x.counted, x.reasons = change, reasons
	return maps.Clone(reasons), nil
}

const refusedSize = "octet_length(line) + octet_length(words)"

// boundRefused makes the ring fit its bounds.
func (j *Journal) boundRefused(ctx context.Context, now int64, counts map[string]int64) error {
	x := &j.refused
	if x.bytes < 0 {
		if err := j.w.QueryRowContext(ctx, "SELECT coalesce(sum("+refusedSize+" + ?), 0) FROM refused", keptRow).Scan(&x.bytes); err != nil {
			return err
		}
	}
	if now-x.pruned > time.Hour.Milliseconds() {
		x.pruned = now
		if err := j.dropRefused(ctx, counts, "at < ?", now-keptFor.Milliseconds()); err != nil {
			return err
		}
	}
	for x.bytes > x.limit {
		if err := j.dropRefused(ctx, counts, "id IN (SELECT id FROM refused ORDER BY id LIMIT ?)", refusedAtOnce); err != nil {
			return err
		}
	}
	return nil
}

// dropRefused takes lines out of the ring; they are counted as overwritten unless
// counts is nil.
func (j *Journal) dropRefused(ctx context.Context, counts map[string]int64, where string, arg any) error {
	rows, err := j.w.QueryContext(ctx, "DELETE FROM refused WHERE "+where+" RETURNING reason, "+refusedSize+" + ?2", arg, keptRow)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var reason string
		var size int64
		if err := rows.Scan(&reason, &size); err != nil {
			return err
		}
		if j.refused.bytes >= 0 {
			j.refused.bytes -= size
		}
		if counts != nil {
			counts[CountRefusedOverwritten+reason]++
		}
	}
	return rows.Err()
}

// refusedText reads what is kept aside.
const refusedText = `SELECT r.id, r.at, r.line, r.reason, r.status, r.words, c.device, c.quantity, r.time, r.fact
	FROM refused r LEFT JOIN channel c ON c.id = r.channel `

// Refused lists what the receiver refused and is kept aside (the newest 64 MB or
// 30 days, whichever is less), behind an id, at most n.
func (j *Journal) Refused(ctx context.Context, after int64, n int) ([]Refused, error) {
	return j.listRefused(ctx, refusedText+"WHERE r.id > ? ORDER BY r.id LIMIT ?", after, n)
}

// NewestRefused lists the newest of it, at most n, the newest first.
func (j *Journal) NewestRefused(ctx context.Context, n int) ([]Refused, error) {
	return j.listRefused(ctx, refusedText+"ORDER BY r.id DESC LIMIT ?", n)
}

func (j *Journal) listRefused(ctx context.Context, query string, args ...any) ([]Refused, error) {
	rows, err := j.reader.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("list what was refused, from %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []Refused
	for rows.Next() {
		var r Refused
		var at int64
		var of sql.NullInt64
		var device, quantity, fact sql.NullString
		if err := rows.Scan(&r.ID, &at, &r.Line, &r.Reason, &r.Status, &r.Words, &device, &quantity, &of, &fact); err != nil {
			return nil, fmt.Errorf("list what was refused, from %s: %w", j.path, j.fault(err))
		}
		r.When, r.Fact = time.UnixMilli(at).UTC(), fact.String
		if device.Valid && of.Valid {
			r.Channel = reading.Channel{Device: device.String, Quantity: reading.Quantity(quantity.String)}
			r.At = time.UnixMilli(of.Int64).UTC()
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// Refused is that of the journal.
func (o *Outbox) Refused(ctx context.Context, after int64, n int) ([]Refused, error) {
	return o.j.Refused(ctx, after, n)
}

// Resend has all that was refused given out again, what was made of readings and
// facts as that is stored now. It leaves the ring when the receiver has taken it.
// It says how many there are.
func (o *Outbox) Resend(ctx context.Context) (n int, err error) {
	err = o.j.write(ctx, "send again what was refused", func(ctx context.Context) error {
		if err := o.current(); err != nil {
			return err
		}
		done, err := o.j.w.ExecContext(ctx, "UPDATE refused SET resend = 1")
		if err != nil {
			return err
		}
		rows, err := done.RowsAffected()
		n = int(rows)
		return err
	})
	if err != nil {
		return 0, err
	}
	o.f.resend.Add(1)
	o.f.wake()
	return n, nil
}
