package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/config"
	"dwindle/forecast/score"
)

type scoreCmd struct {
	Config string    `short:"c" name:"config" xor:"on" placeholder:"FILE" help:"Score on the journal of this site."`
	Duty   []string  `xor:"on" sep:"none" placeholder:"FILE.csv" help:"Score on daily duty from tables with the columns series,date,duty and, if known, daytype, seen and scale; one set per file."`
	Seed   uint64    `default:"1" help:"Seed of the simulator, where neither -c nor --duty is given, and of what is drawn."`
	Series int       `default:"100" help:"Series a scenario of the simulator."`
	At     moment    `help:"With -c: as if now were this time." placeholder:"TIME"`
	Tau    []float64 `xor:"size" placeholder:"10,45,120" help:"Size virtual reservoirs to last so many days at the mean duty of the 28 days before."`
	Spans  []int     `xor:"size" placeholder:"10,30,50" help:"Size them by what the next so many days really used."`
	First  int       `placeholder:"DAYS" help:"Days of history before the first forecast: 28 unless given."`
	Every  int       `placeholder:"DAYS" help:"Days from one forecast to the next: 7 unless given."`
	Last   int       `placeholder:"DAYS" help:"Days of history before the last forecast: all unless given."`
	Follow int       `default:"60" help:"With --detail or --json: cases to follow to their end, forecast again every week."`
	Each   bool      `help:"List every series under its own name."`
	Detail bool      `help:"Print every measure: differences, bias, cost, chances, horizons."`
	JSON   bool      `name:"json" help:"Print JSON, with every measure."`
	Learn  bool      `help:"With -c: learn a calibration from the whole journal and keep it for the forecasts from now on, as serve does every week."`
}

// Run backtests our forecasts beside the baselines and prints the table.
func (c scoreCmd) Run(e *env) error {
	opt, err := c.options()
	if err != nil {
		return err
	}
	if c.Learn {
		if err := c.past(e); err != nil {
			return err
		}
	}
	sets, err := c.sets(e, opt)
	if err != nil {
		return err
	}
	report := score.Summarise(sets...)
	if c.Each {
		for i := range sets {
			report.Sets[i].Each = sets[i].Each()
		}
	}
	if c.JSON {
		err = writeJSON(e.out, report)
	} else {
		err = report.WriteText(e.out, c.Detail)
	}
	if err != nil || !c.Learn {
		return err
	}
	return c.learn(e)
}

// past refuses to learn as of a day that has not come: its calibration would
// miss what happens until then.
func (c scoreCmd) past(e *env) error {
	_, at, err := c.when(e)
	if err != nil {
		return err
	}
	if at.After(e.now()) {
		return &usageError{fmt.Sprintf("--learn --at %s: want no time to come", c.At)}
	}
	return nil
}

// learn has the site's calibration learned anew and kept, by the process that
// serves or by this one.
func (c scoreCmd) learn(e *env) error {
	site, at, err := c.when(e)
	if err != nil {
		return err
	}
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return err
	}
	out, err := desk.Learn(e.ctx, at)
	if err := errors.Join(err, desk.Close()); err != nil {
		return err
	}
	switch {
	case out.Cases == 0:
		e.warn("Nothing to learn yet: no test reservoir on this site's past has ended. Forecasts keep the calibration they have.")
	case !out.Kept:
		e.warn("Calibration %s is in force already.", out.Version)
	default:
		e.warn("Calibration %s, from %d test reservoirs on %d machines and controllers, is in force for forecasts from %s on.", out.Version, out.Cases, out.Series, out.Until)
	}
	return nil
}

// when is the site of -c and the time to look at it.
func (c scoreCmd) when(e *env) (*config.Site, time.Time, error) {
	site, err := siteFlag{c.Config}.load(e)
	if err != nil {
		return nil, time.Time{}, err
	}
	at, err := c.At.in(site.Location(), e.now)
	return site, at, err
}

// options is the protocol, refused where it cannot mean anything.
func (c scoreCmd) options() (score.Options, error) {
	opt := score.Options{Seed: c.Seed, Tau: c.Tau, Spans: c.Spans, First: c.First, Every: c.Every, Last: c.Last}
	if c.Detail || c.JSON {
		opt.Follow = c.Follow
	}
	bad := func(text string) (score.Options, error) { return opt, &usageError{text} }
	for _, t := range c.Tau {
		if !(t > 0) || t > score.MostDays {
			return bad(fmt.Sprintf("--tau: %g days: want above 0 and at most %d", t, score.MostDays))
		}
	}
	for _, s := range c.Spans {
		if s < 1 || s > score.MostDays {
			return bad(fmt.Sprintf("--spans: %d days: want 1 to %d", s, score.MostDays))
		}
	}
	for _, n := range []struct {
		name  string
		value int
	}{{"--first", c.First}, {"--every", c.Every}, {"--last", c.Last}, {"--follow", c.Follow}} {
		if n.value < 0 {
			return bad(n.name + ": want 0 or more")
		}
	}
	if c.Last > 0 && c.Last < c.First {
		return bad("--last: want no less than --first")
	}
	if c.Learn && c.Config == "" {
		return bad("--learn: want -c FILE too, the site whose journal teaches")
	}
	if c.Series < 1 {
		return bad("--series: want at least 1")
	}
	return opt, nil
}

func (c scoreCmd) sets(e *env, opt score.Options) ([]score.Outcomes, error) {
	switch {
	case len(c.Duty) > 0:
		var sets []score.Outcomes
		for _, path := range c.Duty {
			series, err := score.ReadFile(path)
			if err != nil {
				return nil, err
			}
			name := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(path), ".gz"), ".csv")
			set, err := score.Backtest(e.ctx, name, series, opt)
			if err != nil {
				return nil, err
			}
			sets = append(sets, set)
		}
		return sets, nil
	case c.Config != "":
		series, name, err := c.journal(e)
		if err != nil {
			return nil, err
		}
		set, err := score.Backtest(e.ctx, name, series, opt)
		return []score.Outcomes{set}, err
	}
	return score.Simulation(e.ctx, c.Series, opt)
}

// journal reads the daily duty of a site up to yesterday.
func (c scoreCmd) journal(e *env) ([]score.Series, string, error) {
	site, at, err := c.when(e)
	if err != nil {
		return nil, "", err
	}
	view, err := e.view(site)
	if err != nil {
		return nil, "", err
	}
	defer view.Close()
	series, err := view.DutySeries(e.ctx, at)
	if err != nil {
		return nil, "", err
	}
	if len(series) == 0 {
		return nil, "", fmt.Errorf("the journal of %s has no daily duty to score on yet", site.ID)
	}
	return series, site.ID, nil
}
