package journal

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Daily figures lie in bundles of some weeks each: a pass over the fleet reads
// half a year of every device, and a row for each day would cost it ten times
// as much. The newest day, which changes with every round, lies with the series
// itself until another one has begun, so that a bundle is written once a day.

// bundleDays is how many days a bundle spans: so many of a signal that comes all
// day just fit a page of the file.
const bundleDays = 28

// bundleVersion begins a bundle. It changes with its layout.
const bundleVersion = 1

// form is how figures of one sort are put in order and written down.
type form[T any] struct {
	day   func(*T) civil.Date // that decides where it lies
	about func(*T) civil.Date // that it says something of
	order func(a, b T) int    // 0: a newer one takes the other's place
	write func(out []byte, x, before *T) []byte
	read  func(body []byte, out []T) (grown []T, ok bool)
}

var partForm = form[Part]{
	day:   func(p *Part) civil.Date { return p.Emitted },
	about: func(p *Part) civil.Date { return p.Day },
	order: func(a, b Part) int {
		return cmp.Or(cmp.Compare(a.Emitted, b.Emitted), cmp.Compare(a.Day, b.Day))
	},
	write: func(out []byte, p, before *Part) []byte {
		out = binary.AppendVarint(out, int64(p.Emitted)-int64(before.Emitted))
		out = binary.AppendVarint(out, int64(p.Emitted)-int64(p.Day))
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(p.Amount))
		out = binary.AppendVarint(out, p.Known.Milliseconds())
		out = binary.AppendVarint(out, (p.Known - p.Seen).Milliseconds())
		return binary.AppendUvarint(out, uint64(p.Flags))
	},
	read: readParts,
}

// readParts is written out, since a pass reads hundreds of them for each device.
func readParts(body []byte, out []Part) ([]Part, bool) {
	var p Part
	var v int64
	for len(body) > 0 {
		v, body = varint(body)
		p.Emitted = civil.Date(int64(p.Emitted) + v)
		v, body = varint(body)
		p.Day = civil.Date(int64(p.Emitted) - v)
		if len(body) < 8 {
			return out, false
		}
		p.Amount, body = math.Float64frombits(binary.LittleEndian.Uint64(body)), body[8:]
		v, body = varint(body)
		p.Known = time.Duration(v) * time.Millisecond
		v, body = varint(body)
		p.Seen = p.Known - time.Duration(v)*time.Millisecond
		flags, n := binary.Uvarint(body)
		if n <= 0 {
			return out, false
		}
		p.Flags, body = reading.Flags(flags), body[n:]
		out = append(out, p)
	}
	return out, true
}

// varint reads a number and gives the rest; nothing is left where there is none,
// so that the reader finds the end too early.
func varint(b []byte) (int64, []byte) {
	if len(b) > 0 && b[0] < 0x80 { // most are small
		v := int64(b[0])
		return v>>1 ^ -(v & 1), b[1:]
	}
	v, n := binary.Varint(b)
	if n <= 0 {
		return 0, nil
	}
	return v, b[n:]
}

var levelForm = form[LevelDay]{
	day:   func(l *LevelDay) civil.Date { return l.Day },
	about: func(l *LevelDay) civil.Date { return l.Day },
	order: func(a, b LevelDay) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Quantity, b.Quantity))
	},
	write: func(out []byte, l, before *LevelDay) []byte {
		out = binary.AppendVarint(out, int64(l.Day)-int64(before.Day))
		if l.Quantity == before.Quantity {
			out = append(out, 0)
		} else {
			out = binary.AppendUvarint(out, uint64(len(l.Quantity)))
			out = append(out, l.Quantity...)
		}
		out = binary.AppendVarint(out, l.At.UnixMilli()-dayMillis(l.Day))
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(l.Value))
		return binary.AppendUvarint(out, uint64(l.Flags))
	},
	read: readLevels,
}

func readLevels(body []byte, out []LevelDay) ([]LevelDay, bool) {
	in := input{rest: body}
	var l LevelDay
	for len(in.rest) > 0 {
		l.Day = civil.Date(int64(l.Day) + in.varint())
		if len(in.rest) > 0 && in.rest[0] != 0 {
			l.Quantity = reading.Quantity(in.text())
		} else {
			in.uvarint()
		}
		l.At = time.UnixMilli(dayMillis(l.Day) + in.varint()).UTC()
		l.Value = in.float()
		l.Flags = reading.Flags(in.uvarint())
		if in.bad {
			return out, false
		}
		out = append(out, l)
	}
	return out, true
}

// dayMillis is a place in time near a civil day, to count from.
func dayMillis(d civil.Date) int64 { return int64(d) * 24 * 60 * 60 * 1000 }

// encode writes figures, which must be in order; none give none.
func (f *form[T]) encode(list []T) []byte {
	if len(list) == 0 {
		return []byte{}
	}
	out := append(make([]byte, 0, 1+20*len(list)), bundleVersion)
	var before T
	for i := range list {
		out = f.write(out, &list[i], &before)
		before = list[i]
	}
	return out
}

// decode adds the figures of a bundle to out.
func (f *form[T]) decode(body []byte, out []T) ([]T, error) {
	if len(body) == 0 {
		return out, nil
	}
	if body[0] == bundleVersion {
		if out, ok := f.read(body[1:], out); ok {
			return out, nil
		}
	}
	return nil, fmt.Errorf("%w: a bundle of days is damaged", ErrState)
}

// merge gives both lists in order; where they meet, the newer figure stands.
func (f *form[T]) merge(old, newer []T) []T {
	if !slices.IsSortedFunc(newer, f.order) {
		newer = slices.SortedStableFunc(slices.Values(newer), f.order)
	}
	out := make([]T, 0, len(old)+len(newer))
	for len(old) > 0 && len(newer) > 0 {
		switch c := f.order(old[0], newer[0]); {
		case c < 0:
			out, old = append(out, old[0]), old[1:]
		case c > 0:
			out, newer = append(out, newer[0]), newer[1:]
		default:
			old = old[1:]
		}
	}
	return append(append(out, old...), newer...)
}

// before gives the leading figures of days before one.
func (f *form[T]) before(list []T, day civil.Date) []T {
	n, _ := slices.BinarySearchFunc(list, day, func(x T, d civil.Date) int { return cmp.Compare(f.day(&x), d) })
	return list[:n]
}

// least is the earliest day that the figures from one day on say something of,
// or a given one before it.
func (f *form[T]) least(list []T, from, given civil.Date) civil.Date {
	for i := range list {
		if f.day(&list[i]) >= from {
			given = min(given, f.about(&list[i]))
		}
	}
	return given
}

// input reads what encode wrote. What ends too early is bad.
type input struct {
	rest []byte
	bad  bool
}

func (in *input) varint() int64 {
	v, n := binary.Varint(in.rest)
	in.skip(n)
	return v
}

func (in *input) uvarint() uint64 {
	v, n := binary.Uvarint(in.rest)
	in.skip(n)
	return v
}

func (in *input) float() float64 {
	if len(in.rest) < 8 {
		in.skip(0)
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(in.rest))
	in.skip(8)
	return v
}

func (in *input) text() string {
	n := in.uvarint()
	if n > uint64(len(in.rest)) {
		in.skip(0)
		return ""
	}
	s := string(in.rest[:n])
	in.rest = in.rest[n:]
	return s
}

func (in *input) skip(n int) {
	if n <= 0 {
		in.bad, in.rest = true, nil
		return
	}
	in.rest = in.rest[n:]
}

// span numbers the weeks of a bundle.
func span(d civil.Date) int64 {
	n := int64(d) / bundleDays
	if int64(d)%bundleDays < 0 {
		n--
	}
	return n
}

// placeOf is the key of a bundle: days fit into 32 bits, so their spans into 28.
func placeOf(series, span int64) int64 { return series<<28 | (span + 1<<27) }

// Bounds of the places of one series.
const (
	firstSpan = -1 << 27
	lastSpan  = 1<<27 - 1
)

// saving puts figures of one series where they belong.
type saving[T any] struct {
	*form[T]
	j   *Journal
	ctx context.Context
}

// divide gives what stays with the series, the newest day, and what goes into
// bundles.
func (f *form[T]) divide(list []T) (closed, open []T) {
	if len(list) == 0 {
		return nil, nil
	}
	closed = f.before(list, f.day(&list[len(list)-1]))
	return closed, list[len(closed):]
}

// cut forgets the figures of days from one on. It gives the earliest day that
// they say something of, or a given one before it.
func (s saving[T]) cut(id int64, from, given civil.Date) (touched civil.Date, err error) {
	at := span(from)
	touched = min(given, from)
	kept, err := s.bundles(id, at, at)
	if err != nil {
		return touched, err
	}
	later, err := s.bundles(id, at+1, lastSpan)
	if err != nil {
		return touched, err
	}
	touched = s.least(later, from, s.least(kept, from, touched))
	if _, err := s.j.w.ExecContext(s.ctx, "DELETE FROM bundle WHERE place BETWEEN ? AND ?", placeOf(id, at), placeOf(id, lastSpan)); err != nil {
		return touched, err
	}
	if kept = s.before(kept, from); len(kept) == 0 {
		return touched, nil
	}
	return touched, s.put(id, at, kept)
}

// add puts figures into bundles.
func (s saving[T]) add(id int64, list []T) error {
	for len(list) > 0 {
		at := span(s.day(&list[0]))
		n := 1
		for n < len(list) && span(s.day(&list[n])) == at {
			n++
		}
		have, err := s.bundles(id, at, at)
		if err != nil {
			return err
		}
		if err := s.put(id, at, s.merge(have, list[:n])); err != nil {
			return err
		}
		list = list[n:]
	}
	return nil
}

func (s saving[T]) bundles(id, first, last int64) ([]T, error) {
	rows, err := s.j.stmts[stmtBundleGet].QueryContext(s.ctx, placeOf(id, first), placeOf(id, last))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			return nil, err
		}
		if out, err = s.decode(body, out); err != nil {
			return nil, err
		}
	}
	return out, rows.Err()
}

func (s saving[T]) put(id, at int64, list []T) error {
	_, err := s.j.stmts[stmtBundle].ExecContext(s.ctx, placeOf(id, at), s.encode(list))
	return err
}
