package duty

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"dwindle/config"
)

// stateVersion is the first byte of a state's binary form. A change of what a
// state holds, or of how it is fitted, needs a new one: states of another
// version are made again from history.
const stateVersion = 2

// What is wrong with a binary form.
var (
	// ErrStateVersion: it was written by another version of the model.
	ErrStateVersion = errors.New("the stored state of a duty model has another version; make it again from history")
	// ErrStateForm: it is cut short, too long, or out of bounds.
	ErrStateForm = errors.New("the stored state of a duty model is damaged; make it again from history")
)

// AppendBinary appends the state's binary form: a version, then all it holds in
// a fixed order, little-endian, floats bit for bit; up to 5 kB. It never fails.
func (s *State) AppendBinary(b []byte) ([]byte, error) {
	c := codec{out: append(b, stateVersion), writing: true}
	c.state(s)
	return c.out, nil
}

// MarshalBinary is AppendBinary to nothing.
func (s *State) MarshalBinary() ([]byte, error) { return s.AppendBinary(nil) }

// UnmarshalBinary reads what AppendBinary wrote. On an error, ErrStateVersion or
// ErrStateForm, the state is as it was.
func (s *State) UnmarshalBinary(b []byte) error {
	if len(b) == 0 {
		return fmt.Errorf("reading 0 bytes: %w", ErrStateForm)
	}
	if b[0] != stateVersion {
		return fmt.Errorf("reading version %d, expected %d: %w", b[0], stateVersion, ErrStateVersion)
	}
	var read State
	c := codec{in: b[1:]}
	c.state(&read)
	switch {
	case c.bad:
		return fmt.Errorf("reading %d bytes: %w", len(b), ErrStateForm)
	case len(c.in) > 0:
		return fmt.Errorf("reading %d bytes, %d too many: %w", len(b), len(c.in), ErrStateForm)
	}
	*s = read
	return nil
}

// codec writes or reads, so that the order of the fields stands in one place.
type codec struct {
	in, out []byte
	writing bool
	bad     bool
}

func (c *codec) state(s *State) {
	c.float(&s.maxPerDay)
	c.floats(s.sums.w[:], s.sums.y[:], s.sums.q[:])
	c.float(&s.sums.seen)
	c.whole(&s.sums.shutdown, math.MaxInt32)
	c.whole(&s.sums.capped, math.MaxInt32)
	c.float(&s.sums.unit)
	c.recent(&s.recent)
	c.past(&s.past)
}

func (c *codec) recent(w *window) {
	c.whole(&w.n, windowDays)
	for i := range w.n {
		kind := int(w.kind[i])
		c.whole(&kind, int(config.DayTypes)-1)
		w.kind[i] = config.DayType(kind)
		c.float(&w.amount[i])
		c.single(&w.seen[i])
		if w.seen[i] > 0 && w.kind[i] >= config.ShutdownType {
			c.bad = true
		}
	}
}

func (c *codec) past(p *past) {
	c.flag(&p.ready)
	if !p.ready {
		return
	}
	c.floats(p.idle.days[:], p.idle.zeros[:])
	for _, f := range [...]*float64{&p.guess, &p.days, &p.stops, &p.lost, &p.run.chance} {
		c.float(f)
	}
	c.whole(&p.run.days, math.MaxInt32)
	c.flag(&p.run.stop)
	c.product(&p.logs)
	t := &p.types
	c.flag(&t.begun)
	c.float(&t.origin)
	c.floats(t.w[:], t.n[:], t.e[:], t.ee[:], t.es[:], t.ss[:], p.late.w[:], p.late.y[:])
	for i := range p.tracks {
		if k := &p.tracks[i]; memberKinds[i].filtered() {
			for _, f := range [...]*float64{&k.mu, &k.x, &k.pmm, &k.pmx, &k.pxx, &k.squares} {
				c.float(f)
			}
			c.product(&k.logs)
		}
	}
	c.whole(&p.marked, len(p.marks))
	for k := range p.marked {
		m := &p.marks[k]
		for _, f := range [...]*float64{&m.days, &m.logs, &m.stops, &m.lost} {
			c.float(f)
		}
		c.floats(m.idle.days[:], m.idle.zeros[:])
		for i := range m.squares {
			if memberKinds[i].filtered() {
				c.float(&m.squares[i])
				c.float(&m.products[i])
			}
		}
		for i := range m.levels {
			c.float(&m.levels[i].i)
			c.float(&m.levels[i].b)
			c.float(&m.levels[i].q)
		}
	}
	for i := range p.changes {
		e := &p.changes[i]
		for _, f := range [...]*float64{&e.i, &e.b, &e.q, &e.placed} {
			c.float(f)
		}
		c.whole(&e.n, maxPlaces)
		for k := range e.n {
			c.float(&e.places[k].i)
			c.float(&e.places[k].b)
			c.float(&e.places[k].mass)
		}
	}
}

// product codes one that is settled.
func (c *codec) product(p *product) {
	c.float(&p.rest)
	p.value = 1
}

func (c *codec) floats(all ...[]float64) {
	for _, s := range all {
		for i := range s {
			c.float(&s[i])
		}
	}
}

func (c *codec) float(f *float64) {
	v := math.Float64bits(*f)
	c.bits(&v, 8)
	*f = math.Float64frombits(v)
}

func (c *codec) single(f *float32) {
	v := uint64(math.Float32bits(*f))
	c.bits(&v, 4)
	*f = math.Float32frombits(uint32(v))
}

// whole codes a number from 0 to most.
func (c *codec) whole(n *int, most int) {
	v, size := uint64(*n), 4
	if most <= math.MaxUint8 {
		size = 1
	}
	c.bits(&v, size)
	if v > uint64(most) {
		c.bad, v = true, 0
	}
	*n = int(v)
}

func (c *codec) flag(b *bool) {
	n := 0
	if *b {
		n = 1
	}
	c.whole(&n, 1)
	*b = n == 1
}

// bits codes the low bytes of a number; what is missing reads as 0.
func (c *codec) bits(v *uint64, size int) {
	var b [8]byte
	if c.writing {
		binary.LittleEndian.PutUint64(b[:], *v)
		c.out = append(c.out, b[:size]...)
		return
	}
	if len(c.in) < size {
		c.bad, *v = true, 0
		return
	}
	copy(b[:], c.in[:size])
	c.in = c.in[size:]
	*v = binary.LittleEndian.Uint64(b[:])
}
