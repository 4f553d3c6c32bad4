package forecast

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/config"
)

// Options tune a pass. Zero values take the defaults.
type Options struct {
	// WindowDays is the least length of the window over which delivery is
	// compared, in days; default 28.
	WindowDays int
	// Workers is how many points are computed at once; default GOMAXPROCS. The
	// result is the same for any number.
	Workers int
}

// Pass makes the forecasts of the whole fleet as of an instant, points in
// register order. It uses the source up to that instant only, so a pass for a
// past time gives what could have been known then from what is stored now.
func Pass(ctx context.Context, site *config.Site, src Source, at time.Time, opt Options) (Fleet, error) {
	fleet := Fleet{Site: site.ID, Zone: site.Zone, At: at}
	p, err := newPass(ctx, site, src, at, opt)
	if err != nil {
		return fleet, err
	}
	fleet.States = make([]State, len(site.Points))
	// Measured points first: the others are taken to deliver as they do.
	samples := make([]*sample, len(site.Points))
	var all, rest []int
	for i := range site.Points {
		all = append(all, i)
	}
	later := make([]bool, len(site.Points))
	err = p.each(ctx, all, func(i int, w *work) {
		fleet.States[i], samples[i], later[i] = w.State, sampleOf(w), w.deferred
	})
	if err != nil {
		return fleet, err
	}
	for i, l := range later {
		if l {
			rest = append(rest, i)
		}
	}
	p.spread = collect(samples)
	return fleet, p.each(ctx, rest, func(i int, w *work) { fleet.States[i] = w.State })
}

// each works out the points of the given indices, several at once. keep is
// called once per point, from any worker.
func (p *pass) each(ctx context.Context, points []int, keep func(i int, w *work)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs := make([]error, len(points))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(p.opt.Workers, len(points)) {
		wg.Go(func() {
			var sc scratch
			for {
				k := int(next.Add(1)) - 1
				if k >= len(points) {
					return
				}
				if ctx.Err() != nil {
					errs[k] = ctx.Err()
					return
				}
				pt := &p.site.Points[points[k]]
				w, err := p.point(ctx, pt, &sc)
				if err != nil {
					errs[k] = fmt.Errorf("forecast of point %s: %w", pt.ID, err)
					cancel()
					return
				}
				keep(points[k], w)
			}
		})
	}
	wg.Wait()
	return firstError(errs)
}

// firstError prefers a cause over the cancellation that it led to.
func firstError(errs []error) error {
	var cancelled error
	for _, err := range errs {
		switch {
		case err == nil:
		case err == context.Canceled || err == context.DeadlineExceeded:
			cancelled = err
		default:
			return err
		}
	}
	return cancelled
}
