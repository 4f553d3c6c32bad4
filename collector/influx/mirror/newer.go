package mirror

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"dwindle/collector/reading"
)

// Bounds of what is new: proposals.
const (
	// apart is how far the ends of channels may lie apart to be read together.
	apart = 6 * time.Hour
	// failedMost devices that cannot be read end a run.
	failedMost = 3
)

// newer reads what devices have after what the copy has.
func (r *run) newer() error {
	there, err := r.opt.Source.Devices(r.ctx)
	if err != nil {
		return fmt.Errorf("list the devices in InfluxDB: %w", err)
	}
	devices := slices.Concat(r.opt.Devices(), there)
	slices.Sort(devices)
	devices = slices.Compact(devices)
	r.devices = len(devices)
	var failed []error
	for at := 0; at < len(devices); at += AtOnce {
		some := devices[at:min(at+AtOnce, len(devices))]
		newest, err := r.opt.Source.Newest(r.ctx, some)
		if err != nil {
			r.behind = len(devices)
			return fmt.Errorf("ask InfluxDB for the newest readings: %w", err)
		}
		ends, err := r.opt.Journal.Ends(r.ctx, some)
		if err != nil {
			return err
		}
		for i, device := range some {
			r.progress(at+i, len(devices))
			err := r.device(device, newest, ends)
			if err == nil {
				continue
			}
			if r.ctx.Err() != nil {
				return r.ctx.Err()
			}
			// What is pending of others is whole.
			r.behind++
			if failed = append(failed, err); len(failed) >= failedMost {
				return errors.Join(append(failed, r.flush())...)
			}
		}
	}
	return errors.Join(append(failed, r.flush())...)
}

// open is a channel of which there is more than the copy has.
type open struct {
	quantity   reading.Quantity
	after, end time.Time
}

// device brings one device up to date.
func (r *run) device(device string, newest, ends map[reading.Channel]time.Time) error {
	var list []open
	for ch, end := range newest {
		if ch.Device != device {
			continue
		}
		have, ok := ends[ch]
		switch {
		case !ok:
			list = append(list, open{ch.Quantity, time.Time{}, end})
		case r.deep:
			list = append(list, open{ch.Quantity, r.again(have), latest(have, end)})
		case end.After(have):
			list = append(list, open{ch.Quantity, have, end})
		}
	}
	slices.SortFunc(list, func(a, b open) int {
		return cmp.Or(a.after.Compare(b.after), cmp.Compare(a.quantity, b.quantity))
	})
	for len(list) > 0 {
		n, to := 0, list[0].end
		var quantities []reading.Quantity
		for n < len(list) && (list[n].after.Equal(list[0].after) || !list[0].after.IsZero() && list[n].after.Sub(list[0].after) <= apart) {
			quantities = append(quantities, list[n].quantity)
			to = latest(to, list[n].end)
			n++
		}
		slices.Sort(quantities)
		if err := r.fetch(device, quantities, list[0].after, to); err != nil {
			return err
		}
		list = list[n:]
	}
	return nil
}
