package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"dwindle/cmd/internal/station"
	"dwindle/forecast/score"
)

type scoreCmd struct {
	Config string `short:"c" name:"config" xor:"on" placeholder:"FILE" help:"Score on the journal of this site."`
	Duty   string `xor:"on" placeholder:"FILE.csv" help:"Score on daily duty from a table with the columns series,date,duty and, if known, daytype."`
	Seed   uint64 `default:"1" help:"Seed of the simulator, where neither -c nor --duty is given."`
	Series int    `default:"100" help:"Series a scenario of the simulator."`
	At     moment `help:"With -c: as if now were this time." placeholder:"TIME"`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// Run backtests our forecasts beside the baselines and prints the table.
func (c scoreCmd) Run(e *env) error {
	if c.Series < 1 {
		return &usageError{"--series: want at least 1"}
	}
	report, err := c.report(e)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, report)
	}
	return report.WriteText(e.out)
}

func (c scoreCmd) report(e *env) (score.Report, error) {
	opt := score.Options{Seed: c.Seed}
	switch {
	case c.Duty != "":
		series, err := score.ReadFile(c.Duty)
		if err != nil {
			return score.Report{}, err
		}
		name := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(c.Duty), ".gz"), ".csv")
		set, err := score.Backtest(e.ctx, name, series, opt)
		return score.Summarise(set), err
	case c.Config != "":
		site, err := siteFlag{c.Config}.load(e)
		if err != nil {
			return score.Report{}, err
		}
		at, err := c.At.in(site.Location(), e.now)
		if err != nil {
			return score.Report{}, err
		}
		view, err := station.OpenView(e.ctx, site)
		if err != nil {
			return score.Report{}, err
		}
		defer view.Close()
		series, err := view.DutySeries(e.ctx, at)
		if err != nil {
			return score.Report{}, err
		}
		if len(series) == 0 {
			return score.Report{}, fmt.Errorf("the journal of %s has no daily duty to score on yet", site.ID)
		}
		set, err := score.Backtest(e.ctx, site.ID, series, opt)
		return score.Summarise(set), err
	}
	sets, err := score.Simulation(e.ctx, c.Series, opt)
	return score.Summarise(sets...), err
}
