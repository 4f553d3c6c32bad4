package mirror

import (
	"fmt"
	"time"

	"dwindle/collector/journal"
)

// calibrations takes over what was learned since the newest that is there, by the
// clock of the gateway, and now and then all.
func (r *run) calibrations() error {
	newest, err := noted(r.ctx, r.opt.Journal, noteLearned)
	if err != nil {
		return err
	}
	since := newest.Add(-feedOverlap)
	if r.deep {
		since = time.Time{}
	}
	end := newest
	err = r.opt.Source.Calibrations(r.ctx, since, func(c journal.Calibration) error {
		end = latest(end, c.Stored)
		return r.opt.Journal.SaveCalibration(r.ctx, c)
	})
	if err != nil {
		return fmt.Errorf("take over calibrations: %w", err)
	}
	if end.After(newest) {
		r.remember(noteLearned, note(end))
	}
	return r.flush()
}
