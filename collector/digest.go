package collector

import (
	"context"
	"slices"
	"sync"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Digest gives what is kept of a device's days, as far as it still holds for
// Days up to a last date.
func (b batch) Digest(_ context.Context, device string, kind reading.Kind, last civil.Date) (d reading.Digest, ok bool, err error) {
	base, ok, err := b.whole(device, kind, last)
	if err != nil || !ok {
		return d, false, err
	}
	d, ok, err = b.ahead.Digest(&base.saved)
	return d, ok && base.unmoved(d.Day), err
}

// KeepDigest hands over what was made of a device's days, to be saved.
func (b batch) KeepDigest(_ context.Context, device string, kind reading.Kind, last civil.Date, d reading.Digest) error {
	if !b.digests.room() {
		return nil
	}
	base, ok, err := b.whole(device, kind, last)
	if err != nil || !ok || !base.unmoved(d.Day) {
		return err
	}
	d.Body = slices.Clone(d.Body)
	b.digests.put(journal.Digest{
		Series: journal.Series{Device: device, Kind: kind}, Digest: d, Edition: base.saved.Edition, At: base.saved.At,
	})
	return nil
}

// whole gives what Days up to a last date rests on; ok is false unless that is
// all that is derived of a series, and perhaps more that is new. A digest holds
// only then: of an earlier moment's days it may know too much.
func (h *History) whole(device string, kind reading.Kind, last civil.Date) (f folded, ok bool, err error) {
	r, ok := recipeFor(h.site(), journal.Series{Device: device, Kind: kind})
	if !ok || r.level {
		return f, false, nil
	}
	to := h.until(r, last)
	b, err := savedBase(h.ahead, r, to, true)
	if unreadable(err) {
		return f, false, nil // Days says so
	}
	if err != nil || !b.stored || !b.head {
		return f, false, err
	}
	if f, err = run(h.ahead, r, b, to, nil); unreadable(err) {
		return f, false, nil
	}
	return f, err == nil, err
}

// unmoved says that nothing of the newest day, which is not all saved yet, is
// about days up to one.
func (f *folded) unmoved(day civil.Date) bool {
	for i := range f.parts {
		if f.parts[i].Day <= day {
			return false
		}
	}
	return true
}

// digests are what passes made of whole days, until an intake saves them.
type digests struct {
	mu    sync.Mutex
	list  []journal.Digest
	saved func() // asks for that; nil where nobody does it
}

// Bounds of what waits: some kilobytes each.
const (
	digestsWaiting = 500   // from here on it is asked for
	digestsMost    = 1_000 // the rest at the next pass
)

func (g *digests) save(signal func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.saved = signal
}

// room says that a digest would be taken.
func (g *digests) room() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.saved != nil && len(g.list) < digestsMost
}

func (g *digests) put(d journal.Digest) {
	g.mu.Lock()
	g.list = append(g.list, d)
	due, signal := len(g.list) == digestsWaiting, g.saved
	g.mu.Unlock()
	if due {
		signal()
	}
}

// take gives what is to be saved.
func (g *digests) take() []journal.Digest {
	if g == nil {
		return nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	out := g.list
	g.list = nil
	return out
}
