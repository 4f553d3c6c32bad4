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
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	fleet.States = make([]State, len(site.Points))
	errs := make([]error, len(site.Points))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(p.opt.Workers, len(site.Points)) {
		wg.Go(func() {
			var sc scratch
			for {
				i := int(next.Add(1)) - 1
				if i >= len(site.Points) {
					return
				}
				if ctx.Err() != nil {
					errs[i] = ctx.Err()
					return
				}
				s, err := p.point(ctx, &site.Points[i], &sc)
				if err != nil {
					errs[i] = fmt.Errorf("forecast of point %s: %w", site.Points[i].ID, err)
					cancel()
					return
				}
				fleet.States[i] = s.State
			}
		})
	}
	wg.Wait()
	return fleet, firstError(errs)
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
