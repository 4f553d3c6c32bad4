package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/term"

	"dwindle/cmd/internal/station"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/export"
	"dwindle/forecast/export/parquet"
)

type exportCmd struct {
	siteFlag
	What   string `arg:"" enum:"readings,usage,machines,trends,forecasts,delivery,alarms,changes" help:"Which table: ${enum}."`
	Format string `enum:",csv,jsonl,parquet" default:"" help:"csv, jsonl (JSON Lines) or parquet. Default: what the ending of FILE says, else csv."`
	From   moment `placeholder:"TIME" help:"Only from this date or time on."`
	To     moment `placeholder:"TIME" help:"Only up to the end of this date, or to before this time."`
	At     moment `placeholder:"TIME" help:"As if now were this time."`
	Out    string `short:"o" placeholder:"FILE" help:"Write to a file, which is there only once it is whole. Default: standard output."`
}

// exporter is what writing one table needs.
type exporter struct {
	*env
	site  *config.Site
	view  *station.View
	table export.Table
	sink  export.Sink
	at    time.Time  // now; nothing later is written
	from  time.Time  // zero: from the beginning
	to    time.Time  // before this
	first civil.Date // the days of from and to
	last  civil.Date
}

// earliest is the first day that the intake takes for a plausible time.
var earliest = civil.New(2020, time.January, 1)

// Run writes one table.
func (c exportCmd) Run(e *env) (err error) {
	format, err := c.format(e.out)
	if err != nil {
		return err
	}
	site, view, at, err := viewFlags{siteFlag: c.siteFlag, At: c.At}.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	x := exporter{env: e, site: site, view: view, at: at}
	if err := x.window(c.From, c.To); err != nil {
		return err
	}
	x.table, _ = export.Find(c.What, false)
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
	if err != nil {
		return fmt.Errorf("export %s: %w", c.What, err)
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
	if !x.from.IsZero() {
		list = append(list, parquet.Property{Key: "from", Value: x.from.UTC().Format(time.RFC3339Nano)})
	}
	return list
}

// zone names the zone in which the site's days begin and end.
func (x *exporter) zone() string { return x.site.Location().String() }
