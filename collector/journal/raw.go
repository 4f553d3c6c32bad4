package journal

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	"dwindle/collector/reading"
)

// Messages that were understood are kept as they came in a ring of their own,
// beside what was made of them, so that a unit or a mapping that proves wrong
// can be corrected after the fact. That must not wear flash: they are gathered
// in memory and written as a packed block inside a commit that is made anyway.
// A crash loses the last minutes of this ring, never a reading.

// Bounds of what is gathered before a block is written.
const (
	rawBlock   = 128 << 10 // bytes before packing; larger blocks hardly pack better
	rawAge     = 5 * time.Minute
	rawPayload = 64 << 10 // longer messages are not kept in this ring
	rawVersion = 1
)

// Raw is a message as it came, with what was stored from it.
type Raw struct {
	Received time.Time
	Topic    string
	Payload  []byte
	Retained bool
	Dup      bool

	gave  []given  // rows that it brought
	facts []string // facts that it brought, by id
}

// given is the place of a row that a message brought. The row is the message's
// as long as it carries its receive time: another one may have won the place.
type given struct {
	channel int64
	at      int64  // ms
	key     string // of an increment
}

// rawRing is the writer's side of the ring.
type rawRing struct {
	limit   int64 // bytes of all blocks, 0: off
	held    int64 // bytes of all blocks, -1: not yet counted
	pending []byte
	first   int64 // receive times of what is pending, ms
	last    int64
	count   int
	since   time.Time // of the oldest pending, by the clock
}

// Bits of a message in a block.
const (
	rawRetained = 1 << iota
	rawDup
)

// appendRaw writes a message behind others.
func appendRaw(out []byte, m *Raw) []byte {
	text := func(s string) {
		out = binary.AppendUvarint(out, uint64(len(s)))
		out = append(out, s...)
	}
	received := m.Received.UnixMilli()
	out = binary.AppendVarint(out, received)
	var bits byte
	if m.Retained {
		bits |= rawRetained
	}
	if m.Dup {
		bits |= rawDup
	}
	out = append(out, bits)
	text(m.Topic)
	out = binary.AppendUvarint(out, uint64(len(m.Payload)))
	out = append(out, m.Payload...)
	out = binary.AppendUvarint(out, uint64(len(m.gave)))
	for _, g := range m.gave {
		out = binary.AppendUvarint(out, uint64(g.channel))
		out = binary.AppendVarint(out, received-g.at)
		text(g.key)
	}
	out = binary.AppendUvarint(out, uint64(len(m.facts)))
	for _, id := range m.facts {
		text(id)
	}
	return out
}

// packRaw gives the body of a block.
func packRaw(plain []byte) ([]byte, error) {
	out := bytes.NewBuffer([]byte{rawVersion})
	w := packers.Get().(*flate.Writer)
	defer packers.Put(w)
	w.Reset(out)
	if _, err := w.Write(plain); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// errRawBlock means that a block cannot be read.
var errRawBlock = errors.New("a block of raw messages is damaged")

// unpackRaw gives the messages of a block.
func unpackRaw(body []byte) ([]Raw, error) {
	if len(body) == 0 || body[0] != rawVersion {
		return nil, errRawBlock
	}
	// One message may have gone beyond the bound, and what it gave with it.
	plain, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(body[1:])), 64<<20))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errRawBlock, err)
	}
	in := input{rest: plain}
	var out []Raw
	for len(in.rest) > 0 && !in.bad {
		received := in.varint()
		m := Raw{Received: time.UnixMilli(received).UTC()}
		if len(in.rest) > 0 {
			m.Retained, m.Dup = in.rest[0]&rawRetained != 0, in.rest[0]&rawDup != 0
			in.rest = in.rest[1:]
		}
		m.Topic, m.Payload = in.text(), []byte(in.text())
		for range in.uvarint() {
			g := given{channel: int64(in.uvarint()), at: received - in.varint(), key: in.text()}
			if in.bad {
				break
			}
			m.gave = append(m.gave, g)
		}
		for range in.uvarint() {
			id := in.text()
			if in.bad {
				break
			}
			m.facts = append(m.facts, id)
		}
		out = append(out, m)
	}
	if in.bad {
		return nil, errRawBlock
	}
	return out, nil
}

// gather takes messages whose commit has ended well.
func (r *rawRing) gather(list []Raw) {
	for i := range list {
		m := &list[i]
		received := m.Received.UnixMilli()
		if r.count == 0 {
			r.first, r.last, r.since = received, received, time.Now()
		}
		r.first, r.last = min(r.first, received), max(r.last, received)
		r.pending = appendRaw(r.pending, m)
		r.count++
	}
}

// due says that a block should be written with the next commit.
func (r *rawRing) due() bool {
	return r.count > 0 && (len(r.pending) >= rawBlock || time.Since(r.since) >= rawAge)
}

// written forgets what has become a block.
func (r *rawRing) written() {
	r.pending, r.count = r.pending[:0], 0
	if cap(r.pending) > 4*rawBlock { // a burst
		r.pending = nil
	}
}

// writeRaw writes what is pending and makes room for it; part of a
// transaction. The caller calls written when that has ended well, and forgets
// held when not.
func (j *Journal) writeRaw(ctx context.Context) error {
	r := &j.raw
	if r.count == 0 {
		return nil
	}
	body, err := packRaw(r.pending)
	if err != nil {
		return fmt.Errorf("pack raw messages: %w", err)
	}
	if r.held < 0 {
		if err := j.w.QueryRowContext(ctx, "SELECT coalesce(sum(octet_length(body)), 0) FROM raw").Scan(&r.held); err != nil {
			return fmt.Errorf("count the raw messages: %w", err)
		}
	}
	if _, err := j.w.ExecContext(ctx, "INSERT INTO raw (first, last, messages, body) VALUES (?, ?, ?, ?)", r.first, r.last, r.count, body); err != nil {
		return fmt.Errorf("keep raw messages: %w", err)
	}
	r.held += int64(len(body))
	for r.held > r.limit {
		var size int64
		if err := j.w.QueryRowContext(ctx, "DELETE FROM raw WHERE id = (SELECT min(id) FROM raw) RETURNING octet_length(body)").Scan(&size); err != nil {
			return fmt.Errorf("make room for raw messages: %w", err)
		}
		r.held -= size
	}
	return nil
}

// rawSettled takes note of how a transaction with writeRaw has ended.
func (j *Journal) rawSettled(err error) {
	if err != nil {
		j.raw.held = -1
		return
	}
	j.raw.written()
}

// SaveRaw writes what of the raw ring is still in memory.
func (j *Journal) SaveRaw(ctx context.Context) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	err = inTx(ctx, j.w, func() error { return j.writeRaw(ctx) })
	j.rawSettled(err)
	if err != nil {
		return fmt.Errorf("keep raw messages: %w", j.fault(err))
	}
	return nil
}

// RawBlock names a block of the raw ring.
type RawBlock struct {
	ID          int64
	First, Last time.Time // receive times
	Messages    int
}

// RawBlocks lists the blocks that may hold messages received in [from, to],
// the oldest first. What is still in memory is not among them, see SaveRaw.
func (j *Journal) RawBlocks(ctx context.Context, from, to time.Time) ([]RawBlock, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT id, first, last, messages FROM raw WHERE last >= ? AND first <= ? ORDER BY id", from.UnixMilli(), to.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("list the raw messages of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var out []RawBlock
	for rows.Next() {
		var b RawBlock
		var first, last int64
		if err := rows.Scan(&b.ID, &first, &last, &b.Messages); err != nil {
			return nil, fmt.Errorf("list the raw messages of %s: %w", j.path, j.fault(err))
		}
		b.First, b.Last = time.UnixMilli(first).UTC(), time.UnixMilli(last).UTC()
		out = append(out, b)
	}
	return out, rows.Err()
}

// RawMessages gives the messages of a block in the order in which they came;
// none where the block has made room for newer ones.
func (j *Journal) RawMessages(ctx context.Context, block int64) ([]Raw, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT body FROM raw WHERE id = ?", block)
	if err != nil {
		return nil, fmt.Errorf("read raw messages of %s: %w", j.path, j.fault(err))
	}
	defer rows.Close()
	var body []byte
	if rows.Next() {
		if err := rows.Scan(&body); err != nil {
			return nil, fmt.Errorf("read raw messages of %s: %w", j.path, j.fault(err))
		}
	}
	if err := rows.Err(); err != nil || body == nil {
		return nil, err
	}
	out, err := unpackRaw(body)
	if err != nil {
		return nil, fmt.Errorf("read block %d of %s: %w", block, j.path, err)
	}
	return out, nil
}

// Message is the raw message as it would come in.
func (m *Raw) Message() reading.Message {
	return reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.Received, Retained: m.Retained, Dup: m.Dup, Source: "replay"}
}
