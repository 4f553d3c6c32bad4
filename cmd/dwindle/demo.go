package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"dwindle/cmd/internal/demo"
	"dwindle/cmd/internal/text"
	"dwindle/collector/reading"
	"dwindle/collector/replay"
	"dwindle/collector/simulate"
	"dwindle/config"
)

type demoCmd struct {
	Once   bool   `help:"Print the results and end."`
	Write  string `placeholder:"DIR" help:"Write the example site file and its history as a replay log, to start from."`
	Seed   uint64 `default:"1" help:"Which plant: another seed gives other machines, faults and days."`
	Points int    `default:"30" help:"How many lube points."`
	Days   int    `default:"200" help:"How many days of history."`
	Step   int    `default:"2" help:"Resolution of the level sensors, percent."`
	Listen string `default:"127.0.0.1:8088" help:"Where the pages are shown; loopback only." placeholder:"ADDR"`
}

// The bounds of what the demo simulates; beyond, a real site file is the
// better place.
const (
	mostDemoPoints = 500
	mostDemoDays   = 700
)

// demoConnections is how many gateways' connections send at once.
const demoConnections = 4

// Run plays a whole site: its history through the real intake, day by day
// through forecasts and alarms, and then live.
func (c demoCmd) Run(e *env) error {
	if c.Points < 5 || c.Points > mostDemoPoints || c.Days < 30 || c.Days > mostDemoDays || c.Step < 1 || c.Step > 20 {
		return &usageError{fmt.Sprintf("want 5 to %d points, 30 to %d days and a step of 1 to 20 percent", mostDemoPoints, mostDemoDays)}
	}
	plant := simulate.New(simulate.Options{Seed: c.Seed, Points: c.Points, Days: c.Days, LevelStepPercent: float64(c.Step), End: e.now().UTC()})
	if c.Write != "" {
		return c.write(e, plant)
	}
	dir, err := os.MkdirTemp("", "dwindle-demo-*")
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	defer os.RemoveAll(dir)
	site, err := c.site(e, plant, dir)
	if err != nil {
		return err
	}
	run, err := play(e.ctx, site, plant, demoConnections, e.note)
	if run != nil {
		defer run.close()
	}
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	in, err := run.input(e.ctx)
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	in.Seed, in.Width, in.Colour = c.Seed, text.Width(e.out), demo.Colour(e.out)
	if run.at.Board != "" {
		in.Board = "http://" + run.at.Board + "/"
	}
	if err := demo.Print(e.out, in); err != nil {
		return err
	}
	if c.Once {
		return nil
	}
	return c.live(e, plant, run)
}

// site makes the plant's site file in a directory and loads it as any other.
func (c demoCmd) site(e *env, plant *simulate.Plant, dir string) (*config.Site, error) {
	yaml, err := plant.SiteYAML()
	if err != nil {
		return nil, fmt.Errorf("demo: write the site file: %w", err)
	}
	path := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, yaml, 0o600); err != nil {
		return nil, fmt.Errorf("demo: write the site file: %w", err)
	}
	site, err := config.Load(path)
	if err != nil {
		return nil, err
	}
	site.Data = filepath.Join(dir, "data")
	site.Connections.Broker = nil
	site.Connections.Embedded = &config.Embedded{Listen: "127.0.0.1:0"}
	site.Connections.Board = nil
	if !c.Once {
		site.Connections.Board = &config.Listener{Listen: freeOr(c.Listen, e)}
	}
	return site, nil
}

// freeOr gives the address, or one with a free port where it is taken: a demo
// should not fail because another one runs.
func freeOr(addr string, e *env) string {
	l, err := net.Listen("tcp", addr)
	if err == nil {
		err = l.Close()
	}
	host, _, split := net.SplitHostPort(addr)
	if !errors.Is(err, syscall.EADDRINUSE) || split != nil {
		return addr // any other trouble is told by the station, with its remedy
	}
	e.warn("%s is in use; the pages get another port.", addr)
	return net.JoinHostPort(host, "0")
}

// write gives a reader something to start from.
func (c demoCmd) write(e *env, plant *simulate.Plant) error {
	if err := os.MkdirAll(c.Write, 0o750); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	yaml, err := plant.SiteYAML()
	if err != nil {
		return fmt.Errorf("demo: write the site file: %w", err)
	}
	sitePath, logPath := filepath.Join(c.Write, "site.yaml"), filepath.Join(c.Write, "history.jsonl")
	if err := os.WriteFile(sitePath, yaml, 0o640); err != nil {
		return fmt.Errorf("demo: write the site file: %w", err)
	}
	site, err := config.Load(sitePath)
	if err != nil {
		return err
	}
	f, err := os.Create(logPath)
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	n, err := writeLog(f, plant, site)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("demo: write the history: %w", err)
	}
	_, err = fmt.Fprintf(e.out, "Wrote %s and %s (%d messages). Next:\n  dwindle check -c %s\n  dwindle replay -c %s %s\n  dwindle forecast -c %s\n", sitePath, logPath, n, sitePath, sitePath, logPath, sitePath)
	return err
}

// writeLog writes the plant's history as messages. What its people entered by
// hand is no message; the reservoir changes among it are written as the change
// messages that a device would have sent, so that every fill begins.
func writeLog(f io.Writer, plant *simulate.Plant, site *config.Site) (n int, err error) {
	w := replay.NewWriter(f)
	for _, fact := range plant.Facts() {
		if fact.Kind != reading.FactChange && fact.Kind != reading.FactCommission || fact.Device == "" || fact.VolumeCM3 == nil {
			continue
		}
		payload, err := json.Marshal(changeMessage{At: fact.At, ID: fact.ID, VolumeCM3: *fact.VolumeCM3, ResidualCM3: fact.ResidualCM3, Item: fact.Item, Batch: fact.Batch})
		if err != nil {
			return n, err
		}
		topic := strings.Join([]string{site.Connections.Prefix, site.ID, fact.Device, string(reading.Change)}, "/")
		if err := w.Write(reading.Message{Topic: topic, Payload: payload, Received: fact.At}); err != nil {
			return n, err
		}
		n++
	}
	for m := range plant.Messages() {
		if err := w.Write(reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At}); err != nil {
			return n, err
		}
		n++
	}
	return n, w.Flush()
}

// changeMessage is a native change message.
type changeMessage struct {
	At          time.Time `json:"at"`
	ID          string    `json:"id,omitempty"`
	VolumeCM3   float64   `json:"volume_cm3"`
	ResidualCM3 *float64  `json:"residual_cm3,omitempty"`
	Item        string    `json:"item,omitempty"`
	Batch       string    `json:"batch,omitempty"`
}

// live goes on sending until the person has seen enough.
func (c demoCmd) live(e *env, plant *simulate.Plant, run *played) error {
	fmt.Fprintf(e.out, "\nLive from here on: the plant goes on sending, a round of messages every %s.\n  pages:  http://%s/\n  broker: %s (MQTT, loopback)\nEnd with Ctrl-C.\n", liveEvery, run.at.Board, run.at.Broker)
	close(run.hold)
	err := run.goLive(e.ctx, plant)
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// liveEvery is the rhythm of the live part: slow enough to read, quick enough
// to see the pages move.
const liveEvery = 10 * time.Second

// note tells what is being done, only to a person at a terminal.
func (e *env) note(format string, args ...any) { e.warn(format, args...) }
