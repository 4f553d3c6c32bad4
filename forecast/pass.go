package forecast

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/config"
	"dwindle/forecast/calibration"
)

// Options tune a pass. Zero values take the defaults.
type Options struct {
	// WindowDays is the least length of the window over which delivery is
	// compared, in days; default 28.
	WindowDays int
	// Workers is how many points are computed at once; default GOMAXPROCS. The
	// result is the same for any number.
	Workers int
	// Calibration is what was learned from finished virtual reservoirs; nil
	// means the table that comes with the program.
	Calibration *calibration.Table
}

// Pass makes the forecasts of the whole fleet as of an instant, points in
// register order. It uses the source up to that instant only, so a pass for a
// past time gives what could have been known then from what is stored now.
func Pass(ctx context.Context, site *config.Site, src Source, at time.Time, opt Options) (Fleet, error) {
	fleet := Fleet{Site: site.ID, Zone: site.Zone, At: at}
	p, err := newShared(ctx, site, src, at, opt)
	if err != nil {
		return fleet, err
	}
	fleet.States = make([]State, len(site.Points))
	done := make([]bool, len(site.Points))
	chunks := p.chunks()
	learned, err := p.learnPumps(ctx, chunks, func(i int, w *work) {
		fleet.States[i] = w.State
		if done[i] = !w.deferred; done[i] {
			p.records.forget(w.point.ID)
		}
	})
	if err != nil {
		return fleet, err
	}
	p.spread = learned
	for i := range chunks {
		chunks[i] = slices.DeleteFunc(chunks[i], func(k int) bool { return done[k] })
	}
	err = p.each(ctx, chunks, func(i int, w *work) {
		fleet.States[i] = w.State
		p.records.forget(w.point.ID)
	})
	if err != nil {
		return fleet, err
	}
	fleet.Shared = sharedShifts(site, fleet.States, p.today)
	return fleet, nil
}

// chunkPoints is how many points are worked on together: enough to read ahead
// for, few enough to hold all their days.
const chunkPoints = 64

// chunks divides the points, by their places in the register. Those of a machine
// come together, because they share its days; machines come in the order of
// their first points.
func (p *shared) chunks() [][]int {
	of := map[string][]int{}
	var machines []string
	for i := range p.site.Points {
		m := p.site.Points[i].Machine
		if of[m] == nil {
			machines = append(machines, m)
		}
		of[m] = append(of[m], i)
	}
	var out [][]int
	chunk := make([]int, 0, chunkPoints)
	for _, m := range machines {
		if len(chunk) > 0 && len(chunk)+len(of[m]) > chunkPoints {
			out, chunk = append(out, chunk), make([]int, 0, chunkPoints)
		}
		for _, i := range of[m] {
			if len(chunk) == chunkPoints { // a machine with many points
				out, chunk = append(out, chunk), make([]int, 0, chunkPoints)
			}
			chunk = append(chunk, i)
		}
	}
	if len(chunk) > 0 {
		out = append(out, chunk)
	}
	return out
}

// learnAtOnce is how many chunks are looked through before it is asked whether
// enough has been learned: a fixed number, for the same answer with any number
// of workers.
const learnAtOnce = 8

// learnPumps works out measured points, until there are enough of them to say what
// the others are taken to deliver. keep also sees those that have to wait.
func (p *shared) learnPumps(ctx context.Context, chunks [][]int, keep func(i int, w *work)) (*pumps, error) {
	samples := make([]*sample, len(p.site.Points))
	for found := 0; len(chunks) > 0 && found < mostPoints; {
		n := min(learnAtOnce, len(chunks))
		err := p.each(ctx, chunks[:n], func(i int, w *work) {
			samples[i] = sampleOf(w)
			keep(i, w)
		})
		if err != nil {
			return nil, err
		}
		for _, chunk := range chunks[:n] {
			for _, i := range chunk {
				if samples[i] != nil {
					found++
				}
			}
		}
		chunks = chunks[n:]
	}
	return collect(samples), nil
}

// each works out the points of chunks, several chunks at once. keep is called
// once per point, from any worker.
func (p *shared) each(ctx context.Context, chunks [][]int, keep func(i int, w *work)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs := make([]error, len(chunks))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(p.opt.Workers, len(chunks)) {
		wg.Go(func() {
			var sc scratch
			for {
				k := int(next.Add(1)) - 1
				if k >= len(chunks) {
					return
				}
				if errs[k] = p.chunk(ctx, chunks[k], &sc, keep); errs[k] != nil {
					cancel()
					return
				}
			}
		})
	}
	wg.Wait()
	return firstError(errs)
}

// chunk works out some points.
func (p *shared) chunk(ctx context.Context, chunk []int, sc *scratch, keep func(i int, w *work)) error {
	if len(chunk) == 0 {
		return nil
	}
	points := make([]*config.Point, len(chunk))
	for i, k := range chunk {
		points[i] = &p.site.Points[k]
	}
	some, err := p.on(ctx, points...)
	if err != nil {
		return fmt.Errorf("forecast: %w", err)
	}
	defer some.Close()
	for i, pt := range points {
		if err := ctx.Err(); err != nil {
			return err
		}
		w, err := some.point(ctx, pt, sc)
		if err != nil {
			return fmt.Errorf("forecast of point %s: %w", pt.ID, err)
		}
		keep(chunk[i], w)
	}
	return nil
}

// firstError prefers a cause over the cancellation that it led to.
func firstError(errs []error) error {
	var cancelled error
	for _, err := range errs {
		switch {
		case err == nil:
		case errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded):
			cancelled = err
		default:
			return err
		}
	}
	return cancelled
}
