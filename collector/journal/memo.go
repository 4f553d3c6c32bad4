package journal

import (
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// memo is what a pinned snapshot has read already, by what was asked. A nil
// memo remembers nothing. What it gives out may be changed by whoever asked,
// states excepted.
type memo struct {
	channels    map[string][]channelID
	heads       map[Series]headMemo
	checkpoints map[dayKey]checkpointMemo
	parts       map[int64]partsMemo
	levels      map[int64]levelsMemo
	scans       map[Series]scanMemo
	newest      map[seenKey]seenMemo
	last        map[lastKey][]reading.Reading
	held        int // readings in scans and last
	// Read ahead, see Fetch.
	tails   map[int64]tail   // by channel: its newest row
	reports map[string]int64 // by device: when it last reported a fact, ms
	cuts    map[cutKey]reading.Amount
	digests map[int64]reading.Digest
}

type (
	// tail is the newest row of a channel; the least time where it has none.
	tail struct {
		at    int64 // ms
		flags reading.Flags
	}
	dayKey struct {
		id  int64
		day civil.Date
	}
	headMemo struct {
		saved Saved
		ok    bool
	}
	checkpointMemo struct {
		c  Checkpoint
		ok bool
	}
	partsMemo struct {
		first, before civil.Date
		list          []Part // in the order of Emitted; never changed
	}
	levelsMemo struct {
		first, last civil.Date
		list        []LevelDay
	}
	scanMemo struct {
		heard     []string
		after, to int64 // ms
		list      []reading.Reading
	}
	seenKey struct {
		device string
		until  int64
	}
	seenMemo struct {
		at      time.Time
		channel reading.Quantity
		ok      bool
	}
	lastKey struct {
		reading.Channel
		until int64
		n     int
	}
)

// Bounds of a memo. A device is asked about while its point is worked on, so a
// few are enough.
const (
	memoSeries   = 128
	memoScan     = 1_000 // readings of one scan; longer ones are not kept
	memoReadings = 20_000
)

func newMemo() *memo {
	m := &memo{}
	m.clear()
	return m
}

// empty forgets all and keeps the room, of a memo that reads ahead.
func (m *memo) empty() {
	clear(m.channels)
	clear(m.heads)
	clear(m.checkpoints)
	clear(m.parts)
	clear(m.levels)
	clear(m.scans)
	clear(m.newest)
	clear(m.last)
	clear(m.tails)
	clear(m.reports)
	clear(m.cuts)
	clear(m.digests)
	m.held = 0
}

func (m *memo) clear() {
	*m = memo{
		channels: map[string][]channelID{}, heads: map[Series]headMemo{}, checkpoints: map[dayKey]checkpointMemo{},
		parts: map[int64]partsMemo{}, levels: map[int64]levelsMemo{},
		scans: map[Series]scanMemo{}, newest: map[seenKey]seenMemo{}, last: map[lastKey][]reading.Reading{},
		tails: map[int64]tail{}, reports: map[string]int64{},
	}
}

// bound forgets all once there is much.
func (m *memo) bound() {
	if len(m.heads) > memoSeries || len(m.channels) > memoSeries || len(m.newest) > memoSeries || len(m.checkpoints) > 8*memoSeries || m.held > memoReadings {
		m.clear()
	}
}

// partsOf gives remembered parts where they hold all that was emitted from a day
// on and before another, and more.
func (m *memo) partsOf(id int64, first, before civil.Date) ([]Part, bool) {
	p, ok := m.parts[id]
	return p.list, ok && first >= p.first && before <= p.before
}

func (m *memo) levelsOf(id int64, first, last civil.Date) ([]LevelDay, bool) {
	p, ok := m.levels[id]
	if !ok || first < p.first || last > p.last {
		return nil, false
	}
	var out []LevelDay
	for _, x := range p.list {
		if x.Day >= first && x.Day <= last {
			out = append(out, x)
		}
	}
	return out, true
}

// scanOf hands remembered readings to fn.
func (m *memo) scanOf(series Series, heard []string, after, to int64, fn func(reading.Reading) error) (ok bool, err error) {
	if m == nil {
		return false, nil
	}
	p, ok := m.scans[series]
	if !ok || after < p.after || to > p.to || !slices.Equal(heard, p.heard) {
		return false, nil
	}
	// What was said after the last reading up to then is left out, as in a scan.
	n := len(p.list)
	for n > 0 && (p.list[n-1].At.UnixMilli() > to || p.list[n-1].Quantity == reading.StatusOnline) {
		n--
	}
	for i := range p.list[:n] {
		if at := p.list[i].At.UnixMilli(); at <= after {
			continue
		} else if at > to {
			break
		}
		if err := fn(p.list[i]); err != nil {
			return true, err
		}
	}
	return true, nil
}

// keepScan remembers a scan.
func (m *memo) keepScan(series Series, p scanMemo) {
	m.held += len(p.list) - len(m.scans[series].list)
	m.scans[series] = p
}
