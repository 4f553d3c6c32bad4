package journal

import (
	"context"
	"fmt"
	"time"
)

// Unknown is a device that sends and is not in the register.
type Unknown struct {
	Device      string
	Count       int64
	First, Last time.Time
	Topic       string // of the last message
	Payload     []byte // of the last message, at most 1 KiB of it
}

// Bounds of the table of unknown devices. Whoever sends under made-up ids
// drives out the longest silent ones, which is counted.
const (
	unknownDevices = 1000
	unknownPayload = 1024
)

// noteUnknown counts a message of an unknown device.
func (c *commit) noteUnknown(k *Kept) error {
	at := k.Received.UnixMilli()
	payload := k.Payload
	if payload == nil {
		payload = []byte{}
	}
	payload = payload[:min(len(payload), unknownPayload)]
	done, err := c.j.w.ExecContext(c.ctx, "UPDATE unknown SET count = count + 1, last = max(last, ?), first = min(first, ?), topic = ?, payload = ? WHERE device = ?", at, at, k.Topic, payload, k.Device)
	if err != nil {
		return fmt.Errorf("note unknown device %q: %w", k.Device, err)
	}
	if n, err := done.RowsAffected(); err != nil || n > 0 {
		return err
	}
	if c.unknown < 0 {
		if err := c.j.w.QueryRowContext(c.ctx, "SELECT count(*) FROM unknown").Scan(&c.unknown); err != nil {
			return fmt.Errorf("count the unknown devices: %w", err)
		}
	}
	for ; c.unknown >= unknownDevices; c.unknown-- {
		if _, err := c.j.w.ExecContext(c.ctx, "DELETE FROM unknown WHERE device = (SELECT device FROM unknown ORDER BY last, device LIMIT 1)"); err != nil {
			return fmt.Errorf("make room for unknown device %q: %w", k.Device, err)
		}
		c.counts[CountForgotten]++
	}
	if _, err := c.j.w.ExecContext(c.ctx, "INSERT INTO unknown VALUES (?, 1, ?, ?, ?, ?)", k.Device, at, at, k.Topic, payload); err != nil {
		return fmt.Errorf("note unknown device %q: %w", k.Device, err)
	}
	c.unknown++
	return nil
}

// Unknown lists the devices that send and are not in the register, the last
// heard of first.
func (j *Journal) Unknown(ctx context.Context) ([]Unknown, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT device, count, first, last, topic, payload FROM unknown ORDER BY last DESC, device")
	if err != nil {
		return nil, fmt.Errorf("list the unknown devices of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []Unknown
	for rows.Next() {
		var u Unknown
		var first, last int64
		if err := rows.Scan(&u.Device, &u.Count, &first, &last, &u.Topic, &u.Payload); err != nil {
			return nil, fmt.Errorf("list the unknown devices of %s: %w", j.path, j.fault(err))
		}
		u.First, u.Last = time.UnixMilli(first).UTC(), time.UnixMilli(last).UTC()
		out = append(out, u)
	}
	return out, rows.Err()
}
