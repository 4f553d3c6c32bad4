package main

import (
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/systemd"
)

type serveCmd struct {
	siteFlag
	Verbose bool `short:"v" help:"Log each message, too."`

	PrepareStores bool   `help:"Make what stores.influx of the site file needs in InfluxDB (bucket, retention, the task of daily figures), say what was done, and end. A second time changes nothing."`
	OperatorToken string `placeholder:"FILE" help:"With --prepare-stores: file that holds the token of an operator, alone. Default: stores.influx.prepare_token_file."`
}

// servePercent is how much garbage may pile up on what lives. A gateway's memory
// is scarcer than its time, and most of that goes into SQLite, not into Go's
// heap. On a small site passes keep to it, too: see station.Sparing.
const servePercent = 30

// Run serves until it is told to stop, or prepares stores and ends. SIGHUP reads the site file again.
func (c serveCmd) Run(e *env) error {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(servePercent)
	}
	defer station.Lean()()
	site, err := c.load(e)
	if err != nil {
		return err
	}
	if c.PrepareStores {
		return prepareStores(e, site, c.OperatorToken)
	}
	if c.OperatorToken != "" {
		return &usageError{"--operator-token is for --prepare-stores alone"}
	}
	debug.FreeOSMemory() // reading a large site file takes more than all that follows
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: level}))
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	wish := make(chan struct{})
	go func() {
		for {
			select {
			case <-e.ctx.Done():
				return
			case <-hup:
				select {
				case wish <- struct{}{}:
				case <-e.ctx.Done():
					return
				}
			}
		}
	}()
	return station.Serve(e.ctx, site, station.Options{
		Log: log, Now: e.now, Reload: wish, Manager: systemd.FromEnv(), Version: version,
		Ready: func(at station.Addresses) {
			pages := "none; connections.board in the site file opens them"
			if at.Board != "" {
				pages = "http://" + at.Board + "/"
			}
			log.Info("serving", "site", site.ID, "data", site.DataDir(), "embedded_broker", at.Broker, "pages", pages, "monitor", at.Monitor)
		},
	})
}
