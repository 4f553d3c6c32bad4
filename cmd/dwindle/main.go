// Command dwindle works out when each automatic lubricator of a plant will be
// empty, whether it delivers what it was told, and who has to act.
//
// The package holds one short file per verb: parse, call, print. What the
// verbs share is wired in cmd/internal/station. `dwindle --help` lists them.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // gateways often have no zone files

	"github.com/alecthomas/kong"

	"dwindle/cmd/internal/station"
)

// Exit statuses.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// about is what the program is for.
const about = "When will each lubricator be empty, does it deliver what it was told, and who has to act?"

// commands is the whole command line.
type commands struct {
	Demo       demoCmd       `cmd:"" help:"Run a whole example site on this machine: broker, simulated plant, forecasts, alarms."`
	Serve      serveCmd      `cmd:"" help:"Run what the site file asks for: collector, forecasts, alarms, pages."`
	Check      checkCmd      `cmd:"" help:"Check a site file: every fault with its place and what to do."`
	Commission commissionCmd `cmd:"" help:"Take a dispenser into service at a point; accepted or refused with the reason."`
	Read       readCmd       `cmd:"" help:"Record what was read or weighed at a point."`
	Change     changeCmd     `cmd:"" help:"Record a reservoir change at a point."`
	Swap       swapCmd       `cmd:"" help:"Record that another dispenser was mounted at a point."`
	Forecast   forecastCmd   `cmd:"" help:"Show when each reservoir will be empty, with the range."`
	Delivery   deliveryCmd   `cmd:"" help:"Compare planned, commanded and delivered volume per point."`
	Alarms     alarmsCmd     `cmd:"" help:"Show, acknowledge or shelve alarms."`
	Replay     replayCmd     `cmd:"" help:"Feed recorded messages through the intake."`
	Export     exportCmd     `cmd:"" help:"Write tables for analysts."`
	Forward    forwardCmd    `cmd:"" help:"Show what goes to InfluxDB: what waits, what was refused and why; send it again."`
	Score      scoreCmd      `cmd:"" help:"Backtest the forecasts beside the baselines."`
	Backup     backupCmd     `cmd:"" help:"Write everything into one file, while serving or not."`
	Restore    restoreCmd    `cmd:"" help:"Put a backup in place of the data directory, proved first."`
	Account    accountCmd    `cmd:"" help:"Make the line of an account for the embedded broker."`
	Version    versionCmd    `cmd:"" help:"Print the version."`
}

// env is what every verb runs in.
type env struct {
	ctx      context.Context
	out, err io.Writer
	in       io.Reader
	now      func() time.Time
}

// warn tells the person something without touching standard output.
func (e *env) warn(format string, args ...any) { fmt.Fprintf(e.err, format+"\n", args...) }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	// The first signal asks for an orderly end, a second one does not wait for
	// it: nothing acknowledged is lost either way.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run is the program: arguments in, exit status out.
func run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	e := &env{ctx: ctx, out: out, err: errOut, in: in, now: time.Now}
	var cmds commands
	code := -1
	parser, err := kong.New(&cmds,
		kong.Name("dwindle"),
		kong.Description(about),
		kong.Writers(out, errOut),
		kong.Exit(func(c int) { code = c }),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.Bind(e),
	)
	if err != nil {
		fmt.Fprintln(errOut, "error:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if code >= 0 { // --help was asked for and printed
		return code
	}
	if err != nil {
		fmt.Fprintln(errOut, "error:", err)
		fmt.Fprintln(errOut, "try:   dwindle --help")
		return exitUsage
	}
	if err := k.Run(); err != nil {
		return fail(errOut, err)
	}
	return exitDone
}

// errSilent ends a verb with status 1 whose output has said everything.
var errSilent = errors.New("")

// fail prints an error, and what to do on lines of its own where the error
// knows it.
func fail(w io.Writer, err error) int {
	if errors.Is(err, errSilent) {
		return exitFailed
	}
	var usage *usageError
	if errors.As(err, &usage) {
		fmt.Fprintln(w, "error:", usage.text)
		return exitUsage
	}
	text, remedy, _ := strings.Cut(err.Error(), "\ntry: ")
	fmt.Fprintln(w, "error:", text)
	switch {
	case remedy != "":
		fmt.Fprintln(w, "try:  ", remedy)
	case errors.Is(err, station.ErrHeld):
		fmt.Fprintln(w, "try:   stop the other process, or give this site file a data directory of its own (key data:)")
	}
	return exitFailed
}

// usageError is wrong use that the parser cannot see.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

// moment is a time on the command line: RFC 3339, or a date or minute in the
// site's zone.
type moment string

// in reads the moment in a zone; an empty one is now.
func (m moment) in(loc *time.Location, now func() time.Time) (time.Time, error) {
	if m == "" {
		return now().UTC(), nil
	}
	if t, err := time.Parse(time.RFC3339, string(m)); err == nil {
		return t.UTC(), nil
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, string(m), loc); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, &usageError{fmt.Sprintf("time %q: want 2026-11-25, 2026-11-25T14:30 (site time) or RFC 3339 with a zone", string(m))}
}
