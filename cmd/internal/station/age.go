package station

import (
	"context"
	"time"

	"dwindle/collector/health"
	"dwindle/config"
)

// ageEvery is how often old readings are removed.
const ageEvery = 6 * time.Hour

const checkAge = "old readings"

// age removes readings that are older than the site keeps them, in the
// background, until ctx ends.
func (c *Station) age(ctx context.Context) error {
	tick := time.NewTicker(ageEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		if err := c.ageOnce(ctx); err != nil && ctx.Err() == nil {
			c.health.Set(checkAge, health.Warn, "old readings are not removed: "+err.Error(), "see the journal's own check; nothing is lost, the file grows")
		}
	}
}

// ageOnce does it once there was a forecast, which says what it still needs, and
// not by a clock that is in doubt: what is gone does not come back.
func (c *Station) ageOnce(ctx context.Context) error {
	needs, ok := c.history.Needs()
	if !ok {
		return nil
	}
	now, ok := c.opt.Now(), true
	if c.ownClock {
		now, ok = c.intake.Past()
	}
	if !ok {
		return nil
	}
	days := c.site.Load().Keep.ReadingsDays
	if days <= 0 {
		days = config.DefaultReadingsDays
	}
	gone, err := c.intake.Age(ctx, now.AddDate(0, 0, -days), needs)
	if err != nil {
		return err
	}
	c.health.Set(checkAge, health.Ok, "", "")
	if gone > 0 {
		c.log.Info("old readings removed; their days stay", "readings", gone, "older_than_days", days)
	}
	return nil
}
