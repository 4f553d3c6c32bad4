package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/term"

	"dwindle/cmd/internal/station"
	"dwindle/collector/decode"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
	"dwindle/forecast/export/parquet"
)

type exportCmd struct {
	Config string `short:"c" name:"config" placeholder:"FILE" help:"Site file (YAML); needed but for --dictionary."`
	selection
	What   string `arg:"" optional:"" default:"" enum:",readings,usage,machines,trends,forecasts,delivery,alarms,changes" help:"Which table: readings, usage, machines, trends, forecasts, delivery, alarms or changes."`
	Format string `enum:",csv,jsonl,parquet" default:"" placeholder:"FORMAT" help:"csv, jsonl (JSON Lines) or parquet. Default: what the ending of FILE says, else csv."`
	From   moment `placeholder:"TIME" help:"Only from this date or time on."`
	To     moment `placeholder:"TIME" help:"Only up to the end of this date, or to before this time."`
	By     string `enum:",day,week,month" default:"" placeholder:"PERIOD" help:"usage and delivery: add up by civil day, week (ISO 8601) or month of the site's zone."`
	At     moment `placeholder:"TIME" help:"As if now were this time."`
	Out    string `short:"o" placeholder:"FILE" help:"Write to a file, which is there only once it is whole. Default: standard output."`

	Dictionary bool `help:"Describe the columns of the table, or of all, instead: type, unit, meaning, when a cell is empty."`
	JSON       bool `name:"json" help:"With --dictionary: print JSON."`
}

// exporter is what writing one table needs.
type exporter struct {
	*env
	site        *config.Site
	view        *station.View
	only        chosen
	by          forecast.Period // empty: not asked for
	table       export.Table
	sink        export.Sink
	at          time.Time  // now; nothing later is written
	from        time.Time  // zero: from the beginning
	to          time.Time  // before this
	first, last civil.Date // the days of from and to
}

// earliest is the first day that the intake takes for a plausible time.
var earliest = civil.New(decode.EarliestYear, time.January, 1)

// Run writes one table.
func (c exportCmd) Run(e *env) (err error) {
	if c.Dictionary {
		return c.describe(e)
	}
	if err := c.fits(); err != nil {
		return err
	}
	format, err := c.format(e.out)
	if err != nil {
		return err
	}
	site, view, at, err := viewFlags{siteFlag: siteFlag{c.Config}, At: c.At}.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	x := exporter{env: e, site: site, view: view, at: at}
	if err := x.window(c.From, c.To); err != nil {
		return err
	}
	if x.only, err = c.selection.in(site, c.What); err != nil {
		return err
	}
	x.table, _ = export.Find(c.What, c.By != "")
	x.by = forecast.Period(c.By)
	write := func(w io.Writer) error {
		if format == export.Parquet {
			x.sink = parquet.New(w, x.table, version, x.properties())
		} else {
			x.sink = export.NewText(w, format, x.table)
		}
		return x.write()
	}
	if c.Out == "" {
		err = write(e.out)
	} else {
		err = toFile(c.Out, write)
	}
	switch {
	case err != nil && e.ctx.Err() != nil && c.Out != "":
		return fmt.Errorf("export %s: ended before the table was whole, so %s is as it was before", c.What, c.Out)
	case err != nil:
		return fmt.Errorf("export %s: %w", c.What, err)
	}
	return nil
}

// fits refuses options that mean nothing for a table.
func (c exportCmd) fits() error {
	window := c.From != "" || c.To != ""
	switch {
	case c.What == "":
		return &usageError{"want one of the tables readings, usage, machines, trends, forecasts, delivery, alarms, changes; --dictionary tells what is in them"}
	case c.Config == "":
		return &usageError{"missing flags: --config=FILE"}
	case c.JSON:
		return &usageError{"--json goes with --dictionary; for a table want --format jsonl"}
	case c.By != "" && c.What != "usage" && c.What != "delivery":
		return &usageError{"--by adds up usage and delivery, no other table"}
	case c.What == "forecasts" && window:
		return &usageError{"forecasts are as of one instant: want --at TIME instead of --from and --to"}
	case c.What == "delivery" && c.By == "" && window:
		return &usageError{"the window of a verdict begins where it has to and ends now: want --by PERIOD with --from and --to, or --at TIME for a past verdict"}
	}
	return nil
}

// format is the one asked for, else what the file's name says.
func (c exportCmd) format(out io.Writer) (export.Format, error) {
	text := c.Format
	if text == "" {
		text = "csv"
		switch ending := strings.ToLower(filepath.Ext(c.Out)); ending {
		case ".jsonl", ".parquet":
			text = ending[1:]
		case ".ndjson":
			text = string(export.JSONLines)
		}
	}
	f, err := export.ParseFormat(text)
	if err != nil {
		return f, &usageError{err.Error()}
	}
	if screen, ok := out.(*os.File); ok && f == export.Parquet && c.Out == "" && term.IsTerminal(int(screen.Fd())) {
		return f, &usageError{"parquet is no text for a terminal: want -o FILE"}
	}
	return f, nil
}

// toFile writes a file that is there only once it is whole.
func toFile(path string, write func(io.Writer) error) error {
	f, err := export.Create(path)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Discard()
		return err
	}
	return f.Commit()
}

// window settles from when to when. A date stands for the whole day, at either
// end; a time ends before itself, so that windows that meet have nothing in
// common.
func (x *exporter) window(from, to moment) (err error) {
	loc := x.site.Location()
	// What is stored is good to the millisecond; now itself belongs to the past.
	x.to = x.at.Truncate(time.Millisecond).Add(time.Millisecond)
	if from != "" {
		if x.from, err = from.in(loc, x.now); err != nil {
			return err
		}
		if day, err := civil.Parse(string(from)); err == nil {
			x.from = day.Start(loc)
		}
	}
	if to != "" {
		end, err := to.in(loc, x.now)
		if err != nil {
			return err
		}
		if day, err := civil.Parse(string(to)); err == nil {
			end = day.End(loc)
		}
		x.to = earlierOf(end, x.to)
	}
	if !x.from.Before(x.to) {
		return &usageError{"--from must lie before --to and before now"}
	}
	x.first, x.last = earliest, x.site.Today(x.to.Add(-time.Millisecond))
	if !x.from.IsZero() {
		x.first = max(earliest, x.site.Today(x.from))
	}
	return nil
}

func earlierOf(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// properties say in a Parquet file what it is.
func (x *exporter) properties() []parquet.Property {
	list := []parquet.Property{
		{Key: "what", Value: x.table.Name}, {Key: "site", Value: x.site.ID}, {Key: "zone", Value: x.zone()},
		{Key: "program", Value: "dwindle " + version}, {Key: "at", Value: x.at.UTC().Format(time.RFC3339)},
		{Key: "to", Value: x.to.UTC().Format(time.RFC3339Nano)},
	}
	// What the columns mean goes with the file.
	if text, err := json.Marshal(x.table); err == nil {
		list = append(list, parquet.Property{Key: "dictionary", Value: string(text)})
	}
	if only := x.only.String(); only != "" {
		list = append(list, parquet.Property{Key: "only", Value: only})
	}
	if x.by != "" {
		list = append(list, parquet.Property{Key: "by", Value: string(x.by)})
	}
	if !x.from.IsZero() {
		list = append(list, parquet.Property{Key: "from", Value: x.from.UTC().Format(time.RFC3339Nano)})
	}
	return list
}

// zone names the zone in which the site's days begin and end.
func (x *exporter) zone() string { return x.site.Location().String() }
