package disktest

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
)

// sector is what a disk writes as a whole or not at all, bytes.
const sector = 512

// event is one thing that happened, in the order in which it did.
type event struct {
	Op
	file   string
	kind   Kind
	offset int64 // of a write; the size of a truncation; of a sync, how many events are surely covered
	data   []byte
	number int   // of the event
	names  bool  // what was made and removed in the directory is on the disk, too
	mark   int64 // of a Mark, with Op mark
}

// mark is what a test notes between operations.
const mark Op = -1

// Record keeps all operations from now on, for PowerCut and Killed. Nothing may
// be open under the directory.
func (d *Disk) Record() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.wants, d.log = true, nil
}

// Mark puts a number on record, as of now: a message that was acknowledged.
func (d *Disk) Mark(n int64) { d.note(event{Op: mark, mark: n}) }

// Events says how much is on record.
func (d *Disk) Events() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.log)
}

// note counts and records what has happened.
func (d *Disk) note(e event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch e.Op {
	case Sync:
		d.counts.Syncs++
	case Write:
		d.counts.Writes++
		switch e.kind {
		case Log:
			d.counts.LogBytes += int64(len(e.data))
		case Main:
			d.counts.MainBytes += int64(len(e.data))
		}
	}
	if d.wants {
		e.data = slices.Clone(e.data)
		d.log = append(d.log, e)
	}
}

// body is the content of a file: what the disk has for certain, and what was
// written since the last sync, of which any part may be there.
type body struct {
	bytes   []byte
	pending []event
}

func (b *body) apply(e event) {
	switch e.Op {
	case Write:
		b.grow(e.offset + int64(len(e.data)))
		copy(b.bytes[e.offset:], e.data)
	case Truncate:
		if e.offset < int64(len(b.bytes)) {
			b.bytes = b.bytes[:e.offset]
		} else {
			b.grow(e.offset)
		}
	}
}

func (b *body) grow(size int64) {
	if n := size - int64(len(b.bytes)); n > 0 {
		b.bytes = append(b.bytes, make([]byte, n)...)
	}
}

// clone copies the body: the bytes are changed in place.
func (b *body) clone() *body { return &body{slices.Clone(b.bytes), slices.Clone(b.pending)} }

// PowerCut writes into dir what a disk may hold when the power goes after the
// first n events: all that was synced, and of everything else what chance
// leaves of it, in pieces of a sector, in any order; names that were made or
// removed since the directory was synced may be there or not. It gives the
// marks that were set by then.
//
// The model is that of a disk that honours flush and writes sectors as a whole
// (Pillai et al., "All File Systems Are Not Created Equal", OSDI 2014, has the
// states that file systems really leave; this allows all of them for single
// files and more).
func (d *Disk) PowerCut(n int, chance *rand.Rand, dir string) (marks []int64, err error) {
	return d.replay(n, dir, func(b *body) {
		order := chance.Perm(len(b.pending))
		if chance.IntN(2) == 0 { // in order is what most disks do
			slices.Sort(order)
		}
		keep := chance.Float64()
		for _, i := range order {
			e := b.pending[i]
			if e.Op != Write {
				if chance.Float64() < keep {
					b.apply(e)
				}
				continue
			}
			for from := 0; from < len(e.data); {
				// To the next boundary of a sector of the file.
				to := min(len(e.data), from+sector-int((e.offset+int64(from))%sector))
				if chance.Float64() < keep {
					b.apply(event{Op: Write, offset: e.offset + int64(from), data: e.data[from:to]})
				}
				from = to
			}
		}
	}, func() bool { return chance.IntN(2) == 0 })
}

// Killed writes into dir what is there when the process is killed after the
// first n events: all of them. It gives the marks that were set by then.
func (d *Disk) Killed(n int, dir string) (marks []int64, err error) {
	return d.replay(n, dir, func(b *body) {
		for _, e := range b.pending {
			b.apply(e)
		}
	}, func() bool { return true })
}

// replay plays the first n events and lets settle say what becomes of what was
// not synced, and happened whether a change of a name that was not has.
func (d *Disk) replay(n int, dir string, settle func(*body), happened func() bool) (marks []int64, err error) {
	d.mu.Lock()
	log := d.log[:min(n, len(d.log))]
	d.mu.Unlock()
	// Names of now and names that are on the disk for certain.
	now, disk := map[string]*body{}, map[string]*body{}
	for i, e := range log {
		switch e.Op {
		case mark:
			marks = append(marks, e.mark)
		case Make:
			if now[e.file] == nil {
				now[e.file] = &body{}
			}
		case Write, Truncate:
			if b := now[e.file]; b != nil {
				e.number = i
				b.pending = append(b.pending, e)
			}
		case Sync:
			if b := now[e.file]; b != nil {
				for len(b.pending) > 0 && int64(b.pending[0].number) < e.offset {
					b.apply(b.pending[0])
					b.pending = b.pending[1:]
				}
			}
			if e.names {
				disk = maps.Clone(now)
			}
		case Remove:
			delete(now, e.file)
			if e.names {
				disk = maps.Clone(now)
			}
		}
	}
	names := slices.Sorted(maps.Keys(now))
	for name := range disk {
		if now[name] == nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		b := now[name]
		if b != disk[name] && !happened() {
			b = disk[name]
		}
		if b == nil {
			continue
		}
		b = b.clone()
		settle(b)
		rel, err := filepath.Rel(d.dir, name)
		if err != nil {
			return nil, err
		}
		to := filepath.Join(dir, rel)
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return nil, err
		}
		if err := os.WriteFile(to, b.bytes, 0o600); err != nil {
			return nil, fmt.Errorf("write what the disk holds: %w", err)
		}
	}
	return marks, nil
}
