package journal

import (
	"context"
	"hash/maphash"
	"sync"
)

// pinShards is how many connections a pin reads through at most. More workers
// than that wait for each other; each connection has a cache of its own.
const pinShards = 4

// Pin keeps snapshots open for the length of a pass over the fleet and
// remembers what it has read, because a pass asks for the same heads,
// checkpoints and days of a device again and again. All that is read of one
// device is of one moment; two devices may differ by what was committed between
// their first questions. It must not be kept long, see [Snapshot]. Safe for
// concurrent use.
type Pin struct {
	j      *Journal
	ctx    context.Context
	seed   maphash.Seed
	shards [pinShards]shard
}

// shard is a snapshot that one asks at a time.
type shard struct {
	mu sync.Mutex
	s  *Snapshot
}

// Pin makes a pin; nothing is read yet. Close must follow. The pin's reading
// ends with ctx.
func (j *Journal) Pin(ctx context.Context) *Pin {
	return &Pin{j: j, ctx: ctx, seed: maphash.MakeSeed()}
}

// Snapshot gives the snapshot for a device's data; nobody else has it until its
// Close.
func (p *Pin) Snapshot(device string) (*Snapshot, error) {
	h := &p.shards[maphash.String(p.seed, device)%pinShards]
	h.mu.Lock()
	if h.s == nil {
		s, err := p.j.Snapshot(p.ctx)
		if err != nil {
			h.mu.Unlock()
			return nil, err
		}
		s.shard, s.memo = h, newMemo()
		h.s = s
	}
	h.s.memo.bound()
	return h.s, nil
}

// Close gives the readers back.
func (p *Pin) Close() {
	for i := range p.shards {
		h := &p.shards[i]
		h.mu.Lock()
		if h.s != nil {
			h.s.shard = nil
			h.s.Close()
			h.s = nil
		}
		h.mu.Unlock()
	}
}
