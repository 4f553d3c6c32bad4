package journal

import (
	"context"
	"maps"
	"slices"
)

// A setting that a device repeats with every message is one fact, of which only
// the time moves until which it is known to hold. The receiver has to hear of
// that, since it is a sign of life; but to queue the fact in the file with every
// message would wear flash for nothing. So such facts wait in memory, each once,
// however long the receiver is away; an orderly end puts them into the queue, and
// after any other end all that were ever confirmed are sent again.

// confirms are the facts that were confirmed since they were given out.
type confirms struct {
	list []string // in the order in which they came
	wait map[string]struct{}
	sent map[string]int // given out and not taken yet: in how many parcels
}

func newConfirms() confirms {
	return confirms{wait: map[string]struct{}{}, sent: map[string]int{}}
}

func (x *confirms) add(id string) {
	if _, ok := x.wait[id]; !ok {
		x.wait[id] = struct{}{}
		x.list = append(x.list, id)
	}
}

// take gives out so many at most.
func (x *confirms) take(most int) []string {
	n := min(len(x.list), most)
	out := x.list[:n:n]
	if x.list = x.list[n:]; len(x.list) == 0 {
		x.list = nil
	}
	for _, id := range out {
		delete(x.wait, id)
		x.sent[id]++
	}
	return out
}

// settle says what became of some that were given out.
func (x *confirms) settle(list []string, taken bool) {
	for _, id := range list {
		if x.sent[id]--; x.sent[id] <= 0 {
			delete(x.sent, id)
		}
		if !taken {
			x.add(id)
		}
	}
}

// confirmed takes the facts whose times have moved; they are read afterwards, in
// a snapshot that has at least what they were confirmed by.
func (o *Outbox) confirmed(p *filling, most int) {
	o.f.mu.Lock()
	defer o.f.mu.Unlock()
	p.confirmed = o.f.confirms.take(most)
	p.More = p.More || len(o.f.confirms.list) > 0
}

// confirmedFacts reads them.
func (o *Outbox) confirmedFacts(s *Snapshot, p *filling) error {
	for _, id := range p.confirmed {
		if err := p.addFacts(s, factsWhere+"id = ?", id); err != nil {
			return err
		}
	}
	return nil
}

// closeConfirmed is part of the transaction that closes the file.
func (j *Journal) closeConfirmed(ctx context.Context) error {
	f := j.fwd
	f.mu.Lock()
	list := slices.Concat(f.confirms.list, slices.Sorted(maps.Keys(f.confirms.sent)))
	f.mu.Unlock()
	for _, id := range list {
		if err := j.queueFact(ctx, id, nil); err != nil {
			return err
		}
	}
	return nil
}

// loadConfirmed finds what may have been confirmed and not sent, where the last
// end was none in order.
func (j *Journal) loadConfirmed(ctx context.Context, f *forwarding) error {
	if unclean, err := metaOf(ctx, j.w, metaUnclean); err != nil || unclean != "1" {
		return err
	}
	rows, err := j.w.QueryContext(ctx, "SELECT id FROM fact WHERE person = 0 AND until > at ORDER BY at, id")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return err
		}
		f.confirms.add(id)
	}
	return rows.Err()
}
