package station

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwindle/alerts"
	"dwindle/alerts/ledger"
	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/suspicion"
)

// How often the collector's own checks are looked at for alarms, and how often
// what is suspected of devices, which is read from the journal. Checks are read
// from memory: looking costs less than being woken by each change.
const (
	troublesEvery = 20 * time.Second
	doubtsEvery   = 5 * time.Minute
)

// checkAlarms is the health name of the alarms about the collector: when they
// cannot be written, health is the only place that says so.
const checkAlarms = "own alarms"

// exchangeAsks is for how long two devices that seem exchanged ask for
// somebody. It is found of an instant, so that nothing ends it. Judgement.
const exchangeAsks = 7 * 24 * time.Hour

// warns are the parts of which a warning that lasts asks for somebody, too.
var warns = []string{checkForward, "disk reserve", "journal disk", "journal file", checkDamage, "clock", checkSnapshots}

// part says what a check means to the alarms.
func part(c health.Check) alerts.Part {
	way := vital(c.Name)
	if c.Name == outbox.Check {
		// What waits for InfluxDB loses nothing; checkForward says when that has
		// been so for long.
		c.Level = min(c.Level, health.Warn)
	}
	return alerts.Part{
		Check: c,
		Vital: way || storing(c.Name) || c.Name == checkWriter,
		Warns: slices.Contains(warns, c.Name) || way && strings.HasSuffix(c.Name, " delivery"),
	}
}

// collectorNow is what the collector says of itself now.
func (c *Station) collectorNow(ctx context.Context, at time.Time, doubts bool) (alerts.Collector, error) {
	c.forward.look(at)
	out := alerts.Collector{Now: time.Now()}
	for _, check := range c.health.List() {
		out.Parts = append(out.Parts, part(check))
	}
	if !doubts {
		return out, nil
	}
	const newest = 200 // the journal keeps few of each device
	lasting, err := c.intake.Notices(ctx, true, newest)
	if err != nil {
		return out, err
	}
	swapped, err := c.journal.Notices(ctx, suspicion.Exchanged.String(), false, newest)
	if err != nil {
		return out, err
	}
	for _, n := range append(lasting, swapped...) {
		kind, ok := suspicion.ParseKind(n.Kind)
		if !ok || !n.Lasts() && at.Sub(n.At) > exchangeAsks {
			continue
		}
		out.Doubts = append(out.Doubts, alerts.Doubt{Notice: n, Try: kind.Try()})
	}
	out.DoubtsKnown = true
	return out, nil
}

// troubles turns what the collector says of itself into alarms. It goes by
// itself and not with the forecasts, which may take long or fail for the same
// reason; what cannot be written now is tried again.
func (c *Station) troubles(ctx context.Context) error {
	if hold := c.opt.HoldWatch; hold != nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-hold:
		}
	}
	tick := time.NewTicker(troublesEvery)
	defer tick.Stop()
	var asked time.Time
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		at, ok := c.now()
		if !ok || at.Year() < decode.EarliestYear {
			continue // an alarm begins at a time; readiness says that the clock is not set
		}
		doubts := asked.IsZero() || time.Since(asked) >= doubtsEvery
		err := c.lookAtCollector(ctx, at, doubts)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, ledger.ErrDamaged):
			return &brokenStore{ledgerStore, err}
		case err != nil:
			c.health.Set(checkAlarms, health.Bad, "alarms about the collector itself are not being updated: "+err.Error(), "see the other checks and the log; it is tried again every "+troublesEvery.String())
			continue
		}
		if doubts {
			asked = time.Now()
		}
		c.health.Set(checkAlarms, health.Ok, "", "")
	}
}

// lookAtCollector looks once. What is suspected of devices may be unreadable
// while the journal is in trouble, of which the alarm must be raised all the
// same.
func (c *Station) lookAtCollector(ctx context.Context, at time.Time, doubts bool) error {
	now, unread := c.collectorNow(ctx, at, doubts)
	moved, err := c.watch.EvaluateCollector(ctx, at.UTC(), now)
	if err != nil {
		return fmt.Errorf("look at the collector: %w", err)
	}
	if len(moved) > 0 {
		c.tellResults()
	}
	return unread
}
