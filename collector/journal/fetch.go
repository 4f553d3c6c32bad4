package journal

import (
	"context"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"dwindle/collector/reading"
)

// fetchAtOnce is how many devices are asked about in one question.
const fetchAtOnce = 64

// among is the end of a question about so many devices.
var among = " IN (" + strings.Repeat("?, ", fetchAtOnce-1) + "?)"

// The questions of a fetch. The newest row of a channel is one step in its key;
// increments have a key of another kind and are looked up when asked about.
var (
	fetchChannels = `SELECT id, device, quantity,
		(SELECT at FROM reading WHERE reading.channel = channel.id ORDER BY at DESC LIMIT 1),
		(SELECT flags FROM reading WHERE reading.channel = channel.id ORDER BY at DESC LIMIT 1)
		FROM channel WHERE device` + among + " ORDER BY device, quantity"
	fetchSeries  = "SELECT device, kind, id, head_at, head_state, rules, edition, open FROM series WHERE device" + among
	fetchTouched = "SELECT device, kind, min(at), max(seq) FROM touched WHERE device" + among + " GROUP BY device, kind"
	fetchCuts    = "SELECT series, since, until, amount, seen, known, flags FROM cut WHERE series" + among
	fetchDigests = "SELECT series, day, mark, body FROM digest WHERE series" + among
	fetchReports = "SELECT device, max(until) FROM fact WHERE device" + among + " AND person = 0 GROUP BY device"
)

// Fetch begins to read some devices, which it reads ahead: their channels, how
// far they are derived, and what came last. The snapshot remembers all that it
// reads, so it is for a few devices at a time. Close must follow.
func (j *Journal) Fetch(ctx context.Context, devices []string) (_ *Snapshot, err error) {
	s, err := j.Snapshot(ctx)
	if err != nil {
		return nil, err
	}
	s.arena = arenas.Get().(*arena)
	s.memo = s.arena.memo
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	for len(devices) > 0 {
		n := min(len(devices), fetchAtOnce)
		if err := s.fetch(devices[:n]); err != nil {
			return nil, err
		}
		devices = devices[n:]
	}
	return s, nil
}

// arena is room for the figures that a fetched snapshot reads, used again by the
// next one.
type arena struct {
	parts  []Part
	levels []LevelDay
	memo   *memo
}

var arenas = sync.Pool{New: func() any {
	m := newMemo()
	m.cuts, m.digests = map[cutKey]reading.Amount{}, map[int64]reading.Digest{}
	return &arena{memo: m}
}}

func (s *Snapshot) fetch(devices []string) error {
	args := filled(devices)
	m := s.memo
	for _, d := range devices {
		m.channels[d] = nil
		for _, kind := range []reading.Kind{reading.Run, reading.Pulse, reading.Dose, reading.Level} {
			m.heads[Series{d, kind}] = headMemo{}
		}
		m.reports[d] = math.MinInt64
	}
	err := s.each(fetchChannels, args, func(rows *rows) error {
		var c channelID
		var device string
		var at, flags *int64
		if err := rows.Scan(&c.id, &device, &c.quantity, &at, &flags); err != nil {
			return err
		}
		m.channels[device] = append(m.channels[device], c)
		switch {
		case c.quantity == reading.PulseIncrement:
		case at != nil && flags != nil:
			m.tails[c.id] = tail{*at, reading.Flags(*flags)}
		default:
			m.tails[c.id] = tail{at: math.MinInt64}
		}
		return nil
	})
	if err != nil {
		return err
	}
	var series, counted []int64
	err = s.each(fetchSeries, args, func(rows *rows) error {
		var of Series
		var x Saved
		var at int64
		var kind string
		if err := rows.Scan(&of.Device, &kind, &x.ID, &at, &x.state, &x.Rules, &x.Edition, &x.open); err != nil {
			return err
		}
		of.Kind, x.At = reading.Kind(kind), time.UnixMilli(at).UTC()
		m.heads[of] = headMemo{saved: x, ok: true}
		series = append(series, x.ID)
		if of.Kind != reading.Level {
			counted = append(counted, x.ID)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for some := range slices.Chunk(series, fetchAtOnce) {
		err = s.each(fetchCuts, filled(some), func(rows *rows) error {
			var key cutKey
			var a reading.Amount
			if err := rows.Scan(&key.series, &key.since, &key.until, &a.Value, &a.Seen, &a.Known, &a.Flags); err != nil {
				return err
			}
			m.cuts[key] = a
			return nil
		})
		if err != nil {
			return err
		}
	}
	for some := range slices.Chunk(counted, fetchAtOnce) {
		err = s.each(fetchDigests, filled(some), func(rows *rows) error {
			var id, mark int64
			var d reading.Digest
			if err := rows.Scan(&id, &d.Day, &mark, &d.Body); err != nil {
				return err
			}
			d.Mark = uint64(mark)
			m.digests[id] = d
			return nil
		})
		if err != nil {
			return err
		}
	}
	err = s.each(fetchTouched, args, func(rows *rows) error {
		var series Series
		var kind string
		var at, seq int64
		if err := rows.Scan(&series.Device, &kind, &at, &seq); err != nil {
			return err
		}
		series.Kind = reading.Kind(kind)
		if h := m.heads[series]; h.ok {
			h.saved.Late = Late{At: time.UnixMilli(at).UTC(), Seq: seq}
			m.heads[series] = h
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.each(fetchReports, args, func(rows *rows) error {
		var device string
		var until int64
		if err := rows.Scan(&device, &until); err != nil {
			return err
		}
		m.reports[device] = until
		return nil
	})
}

// filled gives what a question asks about, the last one repeated.
func filled[T any](list []T) []any {
	args := make([]any, fetchAtOnce)
	for i := range args {
		args[i] = list[min(i, len(list)-1)]
	}
	return args
}

// each hands the rows of a question to fn.
func (s *Snapshot) each(text string, args []any, fn func(*rows) error) error {
	rows, err := s.query(text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := fn(rows); err != nil {
			return s.wrap(err)
		}
	}
	return s.wrap(rows.Err())
}

// newestFetched answers Newest from what was read ahead; known is false where
// that does not tell.
func (s *Snapshot) newestFetched(channels []channelID, device string, until int64) (newest int64, quantity reading.Quantity, known bool) {
	if s.memo == nil {
		return 0, "", false
	}
	newest, known = s.memo.reports[device]
	if !known || newest > until {
		return 0, "", false
	}
	for _, c := range channels {
		t, ok := s.memo.tails[c.id]
		if !ok || t.at > until || t.flags&reading.Retained != 0 {
			return 0, "", false
		}
	}
	// In the order of channels, so that equal times give the same channel as ever.
	reported := newest
	newest = math.MinInt64
	for _, c := range channels {
		if t := s.memo.tails[c.id]; t.at > newest {
			newest, quantity = t.at, c.quantity
		}
	}
	return max(newest, reported), quantity, true
}
