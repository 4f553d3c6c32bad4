package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/config"
)

// How often derived tables are written. The history folds in what is newer by
// itself, so this bounds only how much it has to fold; writing more often
// would wear flash for nothing.
const (
	deriveEvery    = time.Hour
	deriveReadings = 50_000 // or after so many new rows
	countersEvery  = time.Minute
)

// Bounds of one transaction of derived data, so that commits of messages never
// wait long for it.
const (
	chunkReadings = 100_000
	chunkSeries   = 200
	chunkBytes    = 2 << 20 // of states
	chunkCuts     = 2_000
	chunkDigests  = 500
)

// failedMost series that cannot be derived end a round.
const failedMost = 5

const checkDerive = "daily figures"

// deriver keeps the derived tables close behind the readings, outside the way
// of the acknowledgement. One goroutine derives.
type deriver struct {
	j      *journal.Journal
	site   func() *config.Site
	health *health.Checks
	log    *slog.Logger
	wake   chan struct{} // holds one wish; more would say the same

	mu      sync.Mutex
	dirty   map[journal.Series]struct{}
	rows    int // new rows since the last round
	waiting []wish
	anew    map[journal.Series]struct{} // to be derived from their beginning
	ended   bool                        // nobody derives any more
	cuts    *cuts                       // of a history, to be saved; nil: none
	digests *digests                    // the same
}

// wish asks for a round; done hears how it went.
type wish struct {
	rebuild bool
	age     *ageing
	done    chan<- error // holds one answer, so that nobody waits for the asker
}

func newDeriver(j *journal.Journal, site func() *config.Site, checks *health.Checks, log *slog.Logger) *deriver {
	return &deriver{j: j, site: site, health: checks, log: log, wake: make(chan struct{}, 1), dirty: map[journal.Series]struct{}{}, anew: map[journal.Series]struct{}{}}
}

// mark notes series that have something new.
func (d *deriver) mark(series []journal.Series, rows int) {
	d.mu.Lock()
	for _, s := range series {
		d.dirty[s] = struct{}{}
	}
	d.rows += rows
	due := d.rows >= deriveReadings
	d.mu.Unlock()
	if due {
		d.signal()
	}
}

// ask wants a round that covers all that was marked before.
func (d *deriver) ask(w wish) {
	d.mu.Lock()
	if d.ended {
		d.mu.Unlock()
		w.done <- ErrStopped
		return
	}
	d.waiting = append(d.waiting, w)
	d.mu.Unlock()
	d.signal()
}

// distrust has a series derived from its beginning, because what was saved of
// it cannot be read. It is said once.
func (d *deriver) distrust(s journal.Series, err error) {
	d.mu.Lock()
	_, known := d.anew[s]
	d.anew[s], d.dirty[s] = struct{}{}, struct{}{}
	d.mu.Unlock()
	if !known {
		d.log.Warn("saved daily figures cannot be read and are derived anew from the readings", "device", s.Device, "kind", s.Kind, "file", d.j.Path(), "err", err)
		d.signal()
	}
}

// saves has the rounds save what a history had to fold.
func (d *deriver) saves(c *cuts, g *digests) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cuts, d.digests = c, g
}

// end answers those who still wait, and whoever asks from now on.
func (d *deriver) end() {
	d.mu.Lock()
	d.ended = true
	waiting := d.waiting
	d.waiting = nil
	d.mu.Unlock()
	for _, w := range waiting {
		w.done <- ErrStopped
	}
}

func (d *deriver) signal() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// run derives until ctx ends.
func (d *deriver) run(ctx context.Context) {
	defer d.end()
	site := d.site()
	if err := d.all(ctx); err == nil {
		d.report(ctx, d.round(ctx))
	} else {
		d.report(ctx, err)
	}
	tick, counters := time.NewTicker(deriveEvery), time.NewTicker(countersEvery)
	defer tick.Stop()
	defer counters.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-counters.C:
			if err := d.j.SaveCounters(ctx); err != nil {
				d.log.Warn("counters not written", "err", err)
			}
			continue
		case <-tick.C:
		case <-d.wake:
		}
		if now := d.site(); now != site {
			// Other rules may hold: every series compares its fingerprint.
			site = now
			if err := d.all(ctx); err != nil {
				d.report(ctx, err)
				continue
			}
		}
		d.report(ctx, d.round(ctx))
	}
}

func (d *deriver) report(ctx context.Context, err error) {
	switch {
	case err == nil:
		d.health.Set(checkDerive, health.Ok, "", "")
	case ctx.Err() != nil:
	default:
		d.health.Set(checkDerive, health.Warn, "daily figures are not being saved: "+err.Error(), "results stay right and get slower; see the journal's own check")
	}
}

// all marks every series of the journal.
func (d *deriver) all(ctx context.Context) error {
	s, err := d.j.Snapshot(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	series, err := s.Series()
	if err == nil {
		d.mark(series, 0)
	}
	return err
}

// round derives all that is marked and answers those who wait.
func (d *deriver) round(ctx context.Context) (err error) {
	d.mu.Lock()
	waiting := d.waiting
	d.waiting = nil
	d.mu.Unlock()
	defer func() {
		for _, w := range waiting {
			if err == nil && w.age != nil {
				w.done <- d.age(ctx, w.age)
				continue
			}
			w.done <- err
		}
	}()
	for _, w := range waiting {
		if !w.rebuild {
			continue
		}
		if err := errors.Join(d.j.DropDerived(ctx), d.all(ctx)); err != nil {
			return err
		}
		break
	}
	d.mu.Lock()
	digests := d.digests
	d.mu.Unlock()
	// First, because they hold only for what is derived as they saw it.
	for some := range slices.Chunk(digests.take(), chunkDigests) {
		if err := d.j.SaveDigests(ctx, some); err != nil {
			return err
		}
	}
	d.mu.Lock()
	dirty := d.dirty
	d.dirty, d.rows = map[journal.Series]struct{}{}, 0
	d.mu.Unlock()
	defer func() {
		if err != nil { // what was not saved stays marked
			d.mu.Lock()
			for s := range dirty {
				d.dirty[s] = struct{}{}
			}
			d.mu.Unlock()
		}
	}()
	site := d.site()
	var chunk []journal.Update
	readings, bytes, breaks := 0, 0, false
	save := func() error {
		if len(chunk) == 0 {
			return nil
		}
		damaged, err := d.j.SaveDerived(ctx, chunk)
		if err != nil {
			return err
		}
		d.mu.Lock()
		for _, u := range chunk {
			delete(dirty, u.Series)
			delete(d.anew, u.Series)
		}
		d.mu.Unlock()
		for _, s := range damaged {
			d.distrust(s, journal.ErrState)
		}
		clear(chunk)
		chunk, readings, bytes = chunk[:0], 0, 0
		return nil
	}
	var failed []error
	todo := make([]journal.Series, 0, len(dirty))
	for s := range dirty {
		todo = append(todo, s)
	}
	// What is new gets its place in this order: a pass over the fleet reads
	// devices in much the same one.
	slices.SortFunc(todo, func(a, b journal.Series) int {
		return cmp.Or(strings.Compare(a.Device, b.Device), strings.Compare(string(a.Kind), string(b.Kind)))
	})
	for _, series := range todo {
		if err := ctx.Err(); err != nil {
			return err
		}
		u, n, ok, err := d.advance(ctx, site, series)
		if err != nil {
			// One series must not keep the others from being derived; a
			// fault of the disk shows in many.
			failed = append(failed, fmt.Errorf("derive %s of %s: %w", series.Kind, series.Device, err))
			if len(failed) >= failedMost {
				break
			}
			continue
		}
		if !ok {
			delete(dirty, series)
			continue
		}
		chunk = append(chunk, u)
		breaks = breaks || len(u.Notices) > 0 || u.Whole || u.From != 0
		for i := range u.Checkpoints {
			bytes += len(u.Checkpoints[i].State)
		}
		if readings += n; readings >= chunkReadings || bytes >= chunkBytes || len(chunk) >= chunkSeries {
			if err := save(); err != nil {
				return err
			}
		}
	}
	failed = append(failed, save())
	if breaks {
		failed = append(failed, d.exchanged(ctx))
	}
	failed = append(failed, d.tell(ctx))
	d.mu.Lock()
	cuts := d.cuts
	d.mu.Unlock()
	for some := range slices.Chunk(cuts.take(), chunkCuts) {
		if err := d.j.SaveCuts(ctx, some); err != nil {
			return errors.Join(append(failed, err)...)
		}
	}
	return errors.Join(failed...)
}

// advance folds what is new in a series.
func (d *deriver) advance(ctx context.Context, site *config.Site, series journal.Series) (u journal.Update, n int, ok bool, err error) {
	r, ok := recipeFor(site, series)
	if !ok {
		return u, 0, false, nil
	}
	s, err := d.j.Snapshot(ctx)
	if err != nil {
		return u, 0, false, err
	}
	defer s.Close()
	b, err := baseFor(s, r)
	if err != nil {
		return u, 0, false, err
	}
	if b.doubt != nil {
		d.distrust(series, b.doubt)
	}
	d.mu.Lock()
	_, distrusted := d.anew[series]
	d.mu.Unlock()
	if distrusted {
		if b, err = anew(s, r, b.seq, b.doubt); err != nil {
			return u, 0, false, err
		}
	}
	f, err := run(s, r, b, endOfTime, nil)
	if err != nil {
		return u, 0, false, err
	}
	u, ok, err = f.update(r)
	return u, f.count, ok, err
}
