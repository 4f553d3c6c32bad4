package journal

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"dwindle/collector/reading"
)

// sameChange is how far apart two equal reports of a reservoir change may be
// and still be one change.
const sameChange = 24 * time.Hour

// state says that facts of a kind, when a device reports them, tell what is in
// force: a repetition only confirms it.
func state(f *reading.Fact, person bool) bool {
	if person || f.Corrects != "" || f.Device == "" {
		return false
	}
	return f.Kind == reading.FactSetting || f.Kind == reading.FactFaults || f.Kind == reading.FactSerial
}

// fact stores a fact; false means that it was known already. The given fact
// gets its id.
func (c *commit) fact(given *reading.Fact, person bool) (bool, error) {
	f := *given
	f.At, f.Received = f.At.UTC().Truncate(time.Millisecond), f.Received.UTC().Truncate(time.Millisecond)
	content, err := contentOf(f)
	if err != nil {
		return false, fmt.Errorf("%w: fact of kind %s: %w", ErrRefused, f.Kind, err)
	}
	if f.ID == "" {
		f.ID = fmt.Sprintf("%s/%s/%s/%d", f.Kind, f.Device, hex.EncodeToString(content[:12]), f.At.UnixMilli())
	}
	given.ID = f.ID
	if state(&f, person) {
		known, err := c.confirm(&f, content)
		if err != nil || known {
			return false, err
		}
	}
	repeated := false
	if f.Kind == reading.FactChange && f.Content != "" {
		if repeated, err = c.repeated(&f, content); err != nil {
			return false, err
		}
		// A report with the device's own time is kept even so: should an
		// earlier one arrive later, it decides what is a repetition of what.
		// The reader leaves repetitions out (see Facts).
		if repeated && f.At.Equal(f.Received) {
			return false, nil
		}
	}
	stored, err := c.insertFact(&f, f.At, content, person)
	return stored && !repeated, err
}

func (c *commit) insertFact(f *reading.Fact, until time.Time, content []byte, person bool) (bool, error) {
	body, err := json.Marshal(f)
	if err != nil {
		return false, fmt.Errorf("write fact %s: %w", f.ID, err)
	}
	done, err := c.j.w.ExecContext(c.ctx, "INSERT INTO fact VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
		f.ID, string(f.Kind), f.Point, f.Device, f.At.UnixMilli(), until.UnixMilli(), f.Received.UnixMilli(), person, content, string(body))
	if err != nil {
		return false, fmt.Errorf("store fact %s: %w", f.ID, err)
	}
	n, err := done.RowsAffected()
	if err != nil || n == 0 {
		return false, err
	}
	if err := c.forwardFact(f.ID); err != nil {
		return false, err
	}
	c.rows++
	c.facts = true
	if f.Device != "" {
		c.devices[f.Device] = struct{}{}
	}
	return true, nil
}

// forwardFact notes for the receiver, if there is one, that a fact is new or has
// changed.
func (c *commit) forwardFact(id string) error {
	if c.j.fwd == nil {
		return nil
	}
	if err := c.j.queueFact(c.ctx, id, nil); err != nil {
		return err
	}
	c.news.facts++
	return nil
}

// confirm looks at what the device reported before. The same again only moves
// the time until which it is known to hold. A late report that falls into such
// a stretch splits it.
func (c *commit) confirm(f *reading.Fact, content []byte) (known bool, err error) {
	var id, body string
	var before []byte
	var until int64
	at := f.At.UnixMilli()
	err = c.j.w.QueryRowContext(c.ctx, "SELECT id, until, content, body FROM fact WHERE device = ? AND kind = ? AND at <= ? AND person = 0 ORDER BY at DESC, received DESC, id DESC LIMIT 1",
		f.Device, string(f.Kind), at).Scan(&id, &until, &before, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("look up what %s reported before: %w", f.Device, err)
	}
	if string(before) == string(content) {
		if until < at {
			_, err = c.j.w.ExecContext(c.ctx, "UPDATE fact SET until = ? WHERE id = ?", at, id)
			if c.j.fwd != nil {
				c.news.confirmed = append(c.news.confirmed, id)
			}
		}
		if err != nil {
			return false, fmt.Errorf("confirm fact %s: %w", id, err)
		}
		c.devices[f.Device] = struct{}{}
		return true, nil
	}
	if until <= at {
		return false, nil
	}
	var again reading.Fact
	if err := json.Unmarshal([]byte(body), &again); err != nil {
		return false, fmt.Errorf("read fact %s: %w", id, err)
	}
	again.At = time.UnixMilli(until).UTC()
	again.ID = fmt.Sprintf("%s/%s/%s/%d", again.Kind, again.Device, hex.EncodeToString(before[:12]), until)
	if _, err := c.insertFact(&again, again.At, before, false); err != nil {
		return false, err
	}
	if _, err := c.j.w.ExecContext(c.ctx, "UPDATE fact SET until = at WHERE id = ?", id); err != nil {
		return false, fmt.Errorf("split fact %s: %w", id, err)
	}
	if err := c.forwardFact(id); err != nil {
		return false, err
	}
	return false, nil
}

// repeated says whether a change only repeats one that the device reported
// within 24 h before; repetitions of repetitions do not count on.
func (c *commit) repeated(f *reading.Fact, content []byte) (bool, error) {
	rows, err := c.j.w.QueryContext(c.ctx, "SELECT at FROM fact WHERE content = ? AND at <= ? ORDER BY at", content, f.At.UnixMilli())
	if err != nil {
		return false, fmt.Errorf("look for the same change of %s: %w", f.Device, err)
	}
	defer rows.Close()
	var chain firsts
	for rows.Next() {
		var at int64
		if err := rows.Scan(&at); err != nil {
			return false, fmt.Errorf("look for the same change of %s: %w", f.Device, err)
		}
		chain.repeats(at)
	}
	if err := rows.Err(); err != nil {
		return false, fmt.Errorf("look for the same change of %s: %w", f.Device, err)
	}
	return chain.repeats(f.At.UnixMilli()), nil
}

// firsts remembers the last report that stood for itself.
type firsts struct {
	at    int64 // ms
	known bool
}

// repeats says whether the next report, in time order, repeats that one.
func (x *firsts) repeats(at int64) bool {
	if x.known && at-x.at <= sameChange.Milliseconds() {
		return true
	}
	x.at, x.known = at, true
	return false
}

// contentOf is a digest of what a fact says, without when and its id.
func contentOf(f reading.Fact) ([]byte, error) {
	f.ID, f.At, f.Received = "", time.Time{}, time.Time{}
	text, err := json.Marshal(f)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	return sum[:16], nil
}

// Facts gives all facts at or before an instant in time order. Of the same
// change reported again within 24 h the first stands; a fact that another one
// corrects is left out.
func (j *Journal) Facts(ctx context.Context, until time.Time) ([]reading.Fact, error) {
	all, err := j.factsUntil(ctx, until.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("read the facts of %s: %w", j.path, j.fault(err))
	}
	corrected := map[string]bool{}
	chain := map[string]*firsts{}
	out := all[:0]
	for i := range all {
		f := &all[i]
		if f.Kind == reading.FactChange && f.Content != "" {
			key := f.Device + "\x00" + f.Content
			if chain[key] == nil {
				chain[key] = &firsts{}
			}
			if chain[key].repeats(f.At.UnixMilli()) {
				continue
			}
		}
		if f.Corrects != "" {
			corrected[f.Corrects] = true
		}
		out = append(out, *f)
	}
	if len(corrected) > 0 {
		out = slices.DeleteFunc(out, func(f reading.Fact) bool { return corrected[f.ID] })
	}
	clear(all[len(out):])
	return out, nil
}

// factsAtOnce is how many facts one goroutine makes out of their text at once.
const factsAtOnce = 512

// factsUntil reads facts in time order, several at once: to make them out of
// their text takes far longer than to read it, and a fleet has hundreds of
// thousands. They are read as they lie and put in order here: by the index, each
// would be a search of its own.
func (j *Journal) factsUntil(ctx context.Context, until int64) ([]reading.Fact, error) {
	tx, err := j.reader.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	var n int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM fact WHERE at <= ?", until).Scan(&n); err != nil {
		return nil, err
	}
	rows, err := tx.QueryContext(ctx, "SELECT body FROM fact WHERE +at <= ?", until)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	all := make([]reading.Fact, n)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	bodies, at := make([][]byte, 0, factsAtOnce), 0
	parse := func() {
		some, out := bodies, all[at:]
		bodies, at = make([][]byte, 0, factsAtOnce), at+len(some)
		group.Go(func() error {
			for i := range some {
				if err := json.Unmarshal(some[i], &out[i]); err != nil {
					return err
				}
			}
			return ctx.Err()
		})
	}
	for rows.Next() && at+len(bodies) < n {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			return nil, errors.Join(err, group.Wait())
		}
		if bodies = append(bodies, body); len(bodies) == factsAtOnce {
			parse()
		}
	}
	parse()
	if err := errors.Join(rows.Err(), group.Wait()); err != nil {
		return nil, err
	}
	inTimeOrder(all[:at])
	return all[:at], nil
}

// inTimeOrder sorts facts by time, then by when they were received. They are
// large, so places are sorted and each fact is moved once.
func inTimeOrder(all []reading.Fact) {
	from := make([]int, len(all))
	for i := range from {
		from[i] = i
	}
	slices.SortFunc(from, func(a, b int) int {
		x, y := &all[a], &all[b]
		return cmp.Or(x.At.Compare(y.At), x.Received.Compare(y.Received), strings.Compare(x.ID, y.ID))
	})
	for i := range from {
		if from[i] < 0 || from[i] == i {
			continue
		}
		// A ring of places that take each other's facts.
		first := all[i]
		for k := i; ; {
			next := from[k]
			from[k] = -1
			if next == i {
				all[k] = first
				break
			}
			all[k] = all[next]
			k = next
		}
	}
}
