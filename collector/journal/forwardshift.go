package journal

import (
	"context"

	"dwindle/collector/reading"
)

// What happens to many readings at once.

// shifting finds what a shift is about to change for the receiver; part of its
// transaction, after temp.shifting is filled and before anything is moved.
func (j *Journal) shifting(ctx context.Context, n *news, first, last, d int64) error {
	if j.fwd == nil {
		return nil
	}
	names := j.known.names()
	const receive = int64(reading.ReceiveTime)
	for _, x := range []struct {
		text string
		args []any
		move bool
	}{
		{"SELECT channel, min(at), max(at), count(*) FROM temp.shifting GROUP BY channel", nil, true},
		{"SELECT channel, min(at), max(at), count(*) FROM increment WHERE flags & ?3 <> 0 AND at + lag >= ?1 AND at + lag < ?2 GROUP BY channel", []any{first, last, receive}, true},
		// Of these only when they came is another now.
		{"SELECT channel, min(at), max(at), count(*) FROM reading WHERE flags & ?3 = 0 AND at + lag >= ?1 AND at + lag < ?2 GROUP BY channel", []any{first, last, receive}, false},
		{"SELECT channel, min(at), max(at), count(*) FROM increment WHERE flags & ?3 = 0 AND at + lag >= ?1 AND at + lag < ?2 GROUP BY channel", []any{first, last, receive}, false},
	} {
		if err := j.shiftingOf(ctx, n, names, x.text, x.args, x.move, d); err != nil {
			return err
		}
	}
	return n.write(ctx, j)
}

func (j *Journal) shiftingOf(ctx context.Context, n *news, names map[int64]reading.Channel, text string, args []any, move bool, d int64) error {
	rows, err := j.w.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id, low, high, count int64
		if err := rows.Scan(&id, &low, &high, &count); err != nil {
			return err
		}
		n.change(j.fwd, id, names[id], stretch{low, high, move}, count)
		if move {
			n.change(j.fwd, id, names[id], stretch{low + d, high + d, false}, count)
		}
	}
	return rows.Err()
}

// ageing is what keeps readings of a channel from being removed.
type ageing struct {
	done int64 // readings up to here are with the receiver
	late int64 // but what begins here has changed since
}

// first is the first time of which the receiver may lack something.
func (a *ageing) first() int64 { return min(a.done+1, a.late) }

// forwardHolds finds from where on the readings of a channel have not been taken
// by the receiver: ageing waits for it, for so long that nobody could say it was
// only a fault of some days. ok is false where all are taken or nobody receives.
// Part of a transaction.
func (j *Journal) forwardHolds(ctx context.Context, id int64) (a ageing, ok bool, err error) {
	f := j.fwd
	if f == nil {
		return a, false, nil
	}
	f.mu.Lock()
	c, late := f.channels[id], f.late
	a.done, a.late = nowhere, 1<<63-1
	behind := c == nil
	if c != nil {
		a.done, behind = c.done, c.done < c.newest
	}
	f.mu.Unlock()
	if late > 0 {
		var first *int64
		if err := j.w.QueryRowContext(ctx, "SELECT min(first) FROM forward_late WHERE channel = ?", id).Scan(&first); err != nil {
			return a, false, err
		}
		if first != nil {
			a.late, behind = *first, true
		}
	}
	return a, behind, nil
}

// giveUp counts the readings before an instant that the receiver has not taken,
// before they are removed, and has it keep what it has of that time.
func (j *Journal) giveUp(ctx context.Context, table string, id int64, a ageing, end int64) (n int64, err error) {
	if err := j.w.QueryRowContext(ctx, "SELECT count(*) FROM "+table+" WHERE channel = ? AND at > ? AND at < ?", id, a.done, end).Scan(&n); err != nil {
		return 0, err
	}
	if a.late >= end {
		return n, nil
	}
	var changed int64
	if err := j.w.QueryRowContext(ctx, "SELECT count(*) FROM "+table+" r WHERE channel = ?1 AND at <= ?2 AND at < ?3 AND at >= ?4 AND EXISTS (SELECT 1 FROM forward_late l WHERE l.channel = ?1 AND r.at BETWEEN l.first AND l.last)",
		id, a.done, end, a.late).Scan(&changed); err != nil {
		return 0, err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM forward_late WHERE channel = ? AND last < ?", id, end); err != nil {
		return 0, err
	}
	_, err = j.w.ExecContext(ctx, "UPDATE forward_late SET first = ?2 WHERE channel = ?1 AND first < ?2", id, end)
	return n + changed, err
}

// WaitForReceiver says how many days ageing waits for the receiver beyond the
// rule by which readings leave the journal; 0: as if nobody said, 30.
func (o *Outbox) WaitForReceiver(days int) {
	if days <= 0 {
		days = patienceDays
	}
	o.j.mu.Lock()
	defer o.j.mu.Unlock()
	o.f.patience = int64(days) * dayMS
}
