package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"dwindle/collector/reading"
)

// Shifted is what a shift has moved.
type Shifted struct {
	Readings int64 // whose time was the receive time, and is another now
	Lags     int64 // readings with a time of their own: only when they came is another now
	Facts    int64
	Kept     int64
	Clashes  int64    // readings whose new place was taken; they stay where they are
	Series   []Series // that have to be derived anew
	Devices  []string
}

// Shift moves all that was received from one instant up to another by a time,
// after the clock that stamped it has turned out to be wrong. Times that came
// from the devices stay as they are. What is derived follows; messages as they
// came carry the new receive times, so that they find their rows should they be
// run again. What is to be remembered is written with it. Nobody else may
// commit messages meanwhile, nor have read old ones to run them again.
func (j *Journal) Shift(ctx context.Context, from, to time.Time, by time.Duration) (s Shifted, err error) {
	first, last, d := from.UnixMilli(), to.UnixMilli(), by.Milliseconds()
	if d == 0 || last <= first {
		return s, nil
	}
	changes := func(ctx context.Context, text string, args ...any) (n int64, err error) {
		done, err := j.w.ExecContext(ctx, text, args...)
		if err != nil {
			return 0, err
		}
		return done.RowsAffected()
	}
	var found news
	// What is gathered becomes a block first, to be moved with the others.
	if err := j.SaveRaw(ctx); err != nil {
		return s, err
	}
	err = j.write(ctx, fmt.Sprintf("shift what was received from %s on", from.UTC().Format(time.RFC3339)), func(ctx context.Context) (err error) {
		const receive = int64(reading.ReceiveTime)
		// Aside first: within the table one reading would take the place that
		// another has yet to leave.
		if _, err = j.w.ExecContext(ctx, "CREATE TEMP TABLE shifting AS SELECT channel, at, value, lag, flags FROM reading WHERE flags & ?1 <> 0 AND at + lag >= ?2 AND at + lag < ?3", receive, first, last); err != nil {
			return err
		}
		defer func() {
			if err == nil {
				_, err = j.w.ExecContext(ctx, "DROP TABLE temp.shifting")
			} // else the rollback does
		}()
		if err = j.shifting(ctx, &found, first, last, d); err != nil {
			return err
		}
		moved, err := changes(ctx, "DELETE FROM reading WHERE (channel, at) IN (SELECT channel, at FROM temp.shifting)")
		if err != nil {
			return err
		}
		if s.Lags, err = changes(ctx, "UPDATE reading SET lag = lag + ?1 WHERE flags & ?4 = 0 AND at + lag >= ?2 AND at + lag < ?3", d, first, last, receive); err != nil {
			return err
		}
		if s.Readings, err = changes(ctx, "INSERT OR IGNORE INTO reading SELECT channel, at + ?1, value, lag, flags FROM temp.shifting", d); err != nil {
			return err
		}
		if s.Clashes = moved - s.Readings; s.Clashes > 0 {
			if _, err = changes(ctx, "INSERT OR IGNORE INTO reading SELECT o.channel, o.at, o.value, o.lag, o.flags FROM temp.shifting o JOIN reading r ON r.channel = o.channel AND r.at = o.at + ?1 WHERE r.value IS NOT o.value OR r.flags IS NOT o.flags", d); err != nil {
				return err
			}
		}
		n, err := changes(ctx, "UPDATE increment SET at = at + CASE WHEN flags & ?4 <> 0 THEN ?1 ELSE 0 END, lag = lag + CASE WHEN flags & ?4 <> 0 THEN 0 ELSE ?1 END WHERE at + lag >= ?2 AND at + lag < ?3", d, first, last, receive)
		if err != nil {
			return err
		}
		s.Readings += n
		if err = j.shiftRaw(ctx, first, last, d); err != nil {
			return err
		}
		// What other parts noted in that time; what follows from readings is
		// made anew.
		if _, err = changes(ctx, "UPDATE OR IGNORE notice SET at = at + CASE WHEN at >= ?2 AND at < ?3 THEN ?1 ELSE 0 END, until = until + CASE WHEN until >= ?2 AND until < ?3 THEN ?1 ELSE 0 END WHERE device = '' AND (at >= ?2 AND at < ?3 OR until >= ?2 AND until < ?3)", d, first, last); err != nil {
			return err
		}
		if s.Facts, err = j.shiftFacts(ctx, &found, first, last, d); err != nil {
			return err
		}
		if s.Kept, err = changes(ctx, "UPDATE kept SET received = received + ?1 WHERE received >= ?2 AND received < ?3", d, first, last); err != nil {
			return err
		}
		if _, err = changes(ctx, "UPDATE unknown SET first = CASE WHEN first >= ?2 AND first < ?3 THEN first + ?1 ELSE first END, last = CASE WHEN last >= ?2 AND last < ?3 THEN last + ?1 ELSE last END", d, first, last); err != nil {
			return err
		}
		if err = j.touchShifted(ctx, &s, first, last, d); err != nil {
			return err
		}
		return j.writeNotes(ctx)
	})
	if err != nil {
		return Shifted{}, err
	}
	j.mu.Lock()
	if j.fwd != nil {
		j.fwd.learn(&found)
	}
	for _, x := range s.Series {
		delete(j.known.newest, x) // the newest may be an earlier one now
	}
	j.mu.Unlock()
	return s, nil
}

// shiftFacts moves facts; one without a time of its own was stored with its
// receive time.
func (j *Journal) shiftFacts(ctx context.Context, n *news, first, last, d int64) (int64, error) {
	rows, err := j.w.QueryContext(ctx, "SELECT id, body FROM fact WHERE received >= ? AND received < ?", first, last)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var found []reading.Fact
	for rows.Next() {
		var id, body string
		if err := rows.Scan(&id, &body); err != nil {
			return 0, err
		}
		var f reading.Fact
		if err := json.Unmarshal([]byte(body), &f); err != nil {
			return 0, fmt.Errorf("read fact %s: %w", id, err)
		}
		found = append(found, f)
	}
	if err := rows.Err(); err != nil {
		return 0, err
	}
	rows.Close()
	by := time.Duration(d) * time.Millisecond
	for _, f := range found {
		own, step := int64(0), d
		var was any
		if f.At.Equal(f.Received) {
			was = f.At.UnixMilli()
			f.At = f.At.Add(by)
			own = d
		}
		f.Received = f.Received.Add(by)
		body, err := json.Marshal(f)
		if err != nil {
			return 0, fmt.Errorf("write fact %s: %w", f.ID, err)
		}
		if _, err := j.w.ExecContext(ctx, "UPDATE fact SET at = at + ?1, until = until + ?1, received = received + ?2, body = ?3 WHERE id = ?4", own, step, string(body), f.ID); err != nil {
			return 0, err
		}
		if j.fwd == nil {
			continue
		}
		if err := j.queueFact(ctx, f.ID, was); err != nil {
			return 0, err
		}
		n.facts++
	}
	return int64(len(found)), nil
}

// shiftRaw moves the receive times of messages as they came, and the places of
// what was stored of them. A block that cannot be read stays as it is, which is
// told when it is run again.
func (j *Journal) shiftRaw(ctx context.Context, first, last, d int64) error {
	if _, err := j.w.ExecContext(ctx, "CREATE INDEX temp.shifting_place ON shifting (channel, at)"); err != nil {
		return err
	}
	var blocks []int64
	rows, err := j.w.QueryContext(ctx, "SELECT id FROM raw WHERE last >= ? AND first < ?", first, last)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return err
		}
		blocks = append(blocks, id)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	for _, id := range blocks {
		if err := j.shiftBlock(ctx, id, first, last, d); err != nil {
			return err
		}
	}
	return nil
}

func (j *Journal) shiftBlock(ctx context.Context, id, first, last, d int64) error {
	var body []byte
	if err := j.w.QueryRowContext(ctx, "SELECT body FROM raw WHERE id = ?", id).Scan(&body); err != nil {
		return err
	}
	list, err := unpackRaw(body)
	if err != nil {
		return nil
	}
	var block rawRing
	for i := range list {
		m := &list[i]
		if ms := m.Received.UnixMilli(); ms >= first && ms < last {
			for k := range m.gave {
				g := &m.gave[k]
				if g.key != "" { // known by that, wherever it is
					continue
				}
				var moved bool
				if err := j.w.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM temp.shifting WHERE channel = ? AND at = ?)", g.channel, g.at).Scan(&moved); err != nil {
					return err
				}
				if moved {
					g.at += d
				}
			}
			m.Received = time.UnixMilli(ms + d).UTC()
		}
		block.gather(list[i : i+1])
	}
	if body, err = packRaw(block.pending); err != nil {
		return fmt.Errorf("pack raw messages: %w", err)
	}
	j.raw.held = -1 // counted anew with the next block
	_, err = j.w.ExecContext(ctx, "UPDATE raw SET first = ?, last = ?, body = ? WHERE id = ?", block.first, block.last, body, id)
	return err
}

// touchShifted has the series of what was moved derived anew.
func (j *Journal) touchShifted(ctx context.Context, s *Shifted, first, last, d int64) error {
	rows, err := j.w.QueryContext(ctx, `SELECT DISTINCT c.device, c.quantity FROM channel c WHERE c.id IN (
		SELECT channel FROM temp.shifting UNION SELECT channel FROM increment WHERE at >= ?1 AND at < ?2)`, first+d, last+d)
	if err != nil {
		return err
	}
	defer rows.Close()
	series, devices := map[Series]bool{}, map[string]bool{}
	for rows.Next() {
		var device, quantity string
		if err := rows.Scan(&device, &quantity); err != nil {
			return err
		}
		x := Series{device, KindOf(reading.Quantity(quantity))}
		if derived(x.Kind) && !series[x] {
			series[x] = true
			s.Series = append(s.Series, x)
		}
		if !devices[device] {
			devices[device] = true
			s.Devices = append(s.Devices, device)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	rows.Close()
	for _, x := range s.Series {
		if _, err := j.stmts[stmtTouched].ExecContext(ctx, x.Device, string(x.Kind), min(first, first+d)); err != nil {
			return err
		}
	}
	return nil
}
