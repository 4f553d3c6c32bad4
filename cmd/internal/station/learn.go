package station

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"time"

	"dwindle/collector"
	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/calibration"
	"dwindle/forecast/virtual"
)

const (
	// learnEvery is how old, in civil days, a calibration is when the next one
	// is learned: as often as it is where forecasts are scored.
	learnEvery = 7
	// staleDays is the age from which a calibration is a finding: eight
	// learnings in a row brought none. Common practice.
	staleDays = 60
	// learnLook is how often a serving station looks whether one is due.
	learnLook = time.Hour
	// What is learned from is bounded, whatever the size of the fleet: so many
	// series, and so many days of each. A year shows all of a calendar.
	learnSeries = 500
	learnDays   = 400
)

// Names under which calibrations are reported to health.
const (
	checkCalibration = "calibration"
	checkLearning    = "calibration learning"
)

// Learned says what came of learning from a fleet's past.
type Learned struct {
	Version string     `json:"version"`
	Until   civil.Date `json:"until"`
	Series  int        `json:"series"` // machines and controllers that taught
	Cases   int        `json:"cases"`  // virtual reservoirs
	// Kept is false where the past taught nothing yet, or nothing but what is
	// kept already.
	Kept bool `json:"kept"`
}

// learner is what a station knows about its own learning.
type learner struct {
	turn  chan struct{} // one learns at a time
	ready chan struct{} // closed after the first pass: the past is there by then
	tried civil.Date    // the day on which learning was last due; of the owner of learn alone
}

func newLearner() learner {
	return learner{turn: make(chan struct{}, 1), ready: make(chan struct{})}
}

// Learn makes a calibration from the fleet's past up to the day before an
// instant, and keeps it. It works on one processor beside whatever else runs.
func (c *Station) Learn(ctx context.Context, at time.Time) (Learned, error) {
	if c.mirror != nil {
		return Learned{}, &Refusal{"this machine works with the calibrations that its gateway learns", "dwindle score --learn on the gateway"}
	}
	select {
	case c.learner.turn <- struct{}{}:
		defer func() { <-c.learner.turn }()
	case <-ctx.Done():
		return Learned{}, ctx.Err()
	}
	out, err := c.learnOnce(ctx, at)
	switch {
	case err == nil:
		c.health.Set(checkLearning, health.Ok, "", "")
	case ctx.Err() == nil:
		c.health.Set(checkLearning, health.Warn, "forecasts keep the calibration before, because a new one could not be learned: "+err.Error(), "see the journal's check; it is tried again tomorrow, or at once with dwindle score -c "+c.site.Load().Path()+" --learn")
	}
	return out, err
}

func (c *Station) learnOnce(ctx context.Context, at time.Time) (Learned, error) {
	defer Sparing()()
	site := c.site.Load()
	today := site.Today(at)
	series, err := teachers(ctx, site, c.history.AsOf(at), at)
	if err != nil {
		return Learned{}, fmt.Errorf("learn a calibration: %w", err)
	}
	record, err := calibration.Run(ctx, series, calibration.Options{Workers: 1})
	if err != nil {
		return Learned{}, fmt.Errorf("learn a calibration: %w", err)
	}
	table := record.Learn(today, calibration.Builtin())
	out := Learned{Version: table.Version, Until: today, Series: table.Series, Cases: table.Cases}
	if table.Cases == 0 {
		return out, nil
	}
	if kept, ok, err := c.journal.Calibration(ctx, today); err != nil {
		return out, err
	} else if ok && kept.Version == table.Version {
		if _, err := stored(kept); err == nil {
			return out, nil
		}
	}
	body, err := json.Marshal(table)
	if err != nil {
		return out, fmt.Errorf("learn a calibration: %w", err)
	}
	now, _ := c.now()
	if err := c.journal.SaveCalibration(ctx, journal.Calibration{Version: table.Version, Learned: today, Stored: now, Body: body}); err != nil {
		return out, err
	}
	out.Kept = true
	c.log.Info("calibration learned", "version", table.Version, "series", table.Series, "cases", table.Cases)
	return out, nil
}

// teachers gives the daily duties that a fleet learns from: those with anything
// known, in an order that depends on their ids alone, so that the same ones
// teach from week to week and however the site file is sorted.
func teachers(ctx context.Context, site *config.Site, history *collector.History, at time.Time) ([]virtual.Series, error) {
	all := duties(site, at)
	slices.SortFunc(all, func(a, b dutyOf) int {
		return cmp.Or(cmp.Compare(a.mark(), b.mark()), cmp.Compare(a.device, b.device), cmp.Compare(a.kind, b.kind))
	})
	last := site.Today(at) - 1
	var out []virtual.Series
	for _, d := range all {
		s, err := d.series(ctx, site, history, last-learnDays+1, last)
		if err != nil {
			return nil, err
		}
		if len(s.Days) > 0 {
			out = append(out, s)
		}
		if len(out) == learnSeries {
			break
		}
	}
	return out, nil
}

// mark is a hash of what a duty is of.
func (x dutyOf) mark() uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(string(x.kind) + " " + x.device))
	return h.Sum64()
}

// stored takes in what the journal kept.
func stored(c journal.Calibration) (*calibration.Table, error) {
	table, err := calibration.Read(c.Body)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", c.Version, err)
	}
	if table.Version != c.Version || !table.Intact() {
		return nil, fmt.Errorf("%s is damaged, or of another version of dwindle", c.Version)
	}
	return table, nil
}

// inForce gives the calibration that an instant's forecasts rest on: the newest
// that was learned by its civil day, or the one that comes with the program.
// doubt says why the newest could not be used.
func inForce(ctx context.Context, j *journal.Journal, site *config.Site, at time.Time) (table *calibration.Table, doubt, err error) {
	kept, ok, err := j.Calibration(ctx, site.Today(at))
	if err != nil {
		return nil, nil, err
	}
	if ok {
		if table, doubt = stored(kept); doubt == nil {
			return table, nil, nil
		}
	}
	return calibration.Builtin(), doubt, nil
}

// Calibration gives what forecasts as of an instant rest on; doubt says why the
// built-in one has to stand in for a newer one.
func (v *View) Calibration(ctx context.Context, at time.Time) (table *calibration.Table, doubt, err error) {
	return inForce(ctx, v.Journal, v.Site, at)
}

// calibration gives what a pass rests on, and says so in health.
func (c *Station) calibration(ctx context.Context, at time.Time) (*calibration.Table, error) {
	site := c.site.Load()
	table, doubt, err := inForce(ctx, c.journal, site, at)
	if err != nil {
		return nil, err
	}
	again := "dwindle score -c " + site.Path() + " --learn"
	switch age := int(site.Today(at) - table.Learned); {
	case doubt != nil:
		c.health.Set(checkCalibration, health.Warn, fmt.Sprintf("%s stands in: calibration %v", table.Version, doubt), again)
	case !ofSite(table):
		c.health.Set(checkCalibration, health.Ok, table.Version+" is in force, as it came with the program; this site's past has not taught one yet", "")
	case age > staleDays:
		c.health.Set(checkCalibration, health.Warn, fmt.Sprintf("%s is in force, learned %d days ago: its ranges may no longer hold", table.Version, age), again+", and see whether run and pulse messages still come")
	default:
		c.health.Set(checkCalibration, health.Ok, fmt.Sprintf("%s is in force, learned %s from %d test reservoirs on %d machines and controllers", table.Version, daysAgo(age), table.Cases, table.Series), "")
	}
	return table, nil
}

// ofSite says whether a table was learned here.
func ofSite(t *calibration.Table) bool { return t.Version != calibration.Builtin().Version }

func daysAgo(n int) string {
	switch n {
	case 0:
		return "today"
	case 1:
		return "yesterday"
	}
	return fmt.Sprintf("%d days ago", n)
}

// learn keeps the calibration young while the station serves: it learns one
// when there is none, and then every week of civil days. A failure is told in
// health and tried again the next day; it does not end the collector.
func (c *Station) learn(ctx context.Context) error {
	if c.mirror != nil { // calibrations come with the rest
		<-ctx.Done()
		return ctx.Err()
	}
	if hold := c.opt.HoldWatch; hold != nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-hold:
		}
	}
	// What came in while nobody served is taken in, and looked at, first.
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-c.learner.ready:
	}
	look := time.NewTicker(learnLook)
	defer look.Stop()
	for {
		if now, ok := c.now(); ok {
			if err := c.learnIfDue(ctx, now.UTC()); err != nil && ctx.Err() != nil {
				return ctx.Err()
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-look.C:
		}
	}
}

// learnIfDue learns where the newest usable calibration is a week old, at most
// once a civil day.
func (c *Station) learnIfDue(ctx context.Context, now time.Time) error {
	today := c.site.Load().Today(now)
	if now.Year() < decode.EarliestYear || c.learner.tried == today {
		return nil
	}
	table, _, err := inForce(ctx, c.journal, c.site.Load(), now)
	if err == nil && ofSite(table) && today-table.Learned < learnEvery {
		return nil
	}
	c.learner.tried = today
	_, err = c.Learn(ctx, now)
	return err
}
