package station

import (
	"context"
	"fmt"
	"maps"
	"os"
	"strings"
	"time"

	"dwindle/cmd/internal/monitor"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
)

// What is told to supervisors: probes, figures, and the service manager.
//
// The rule of the watchdog: signs of life are sent only while the way from
// queue to disk moves (collector.Intake.Still says what moving is). A flush
// that never returns, a lock that is never given back and a decoder that never
// ends stop them, and the manager starts the program anew; nothing is lost,
// since nothing of it was acknowledged. A disk that is full, read-only or taken
// away does not stop them: each attempt ends with an error, the pages and
// probes tell it, and it goes on by itself when there is room. Nor does a broker
// that is away, or a clock that is not set.

// How often a beat is sent, and for how long the way to the disk may stand
// still: a flash card that tidies up takes some tens of seconds at worst
// (common practice), and a lock held for a long read of our own about as much.
const (
	beatEvery = 5 * time.Second
	stillMost = 90 * time.Second
)

// shortest is the least watchdog time that this program can keep: a disk that
// refuses is tried again every 15 s, and each attempt is a sign of life.
const shortest = time.Minute

// checkWriter is the name in the health list.
const checkWriter = "writer"

// opens notes ways in: a broker's connections, or a broker of our own, each
// under a name.
func (c *Station) opens(stats func() map[string]monitor.Broker) {
	c.waysMu.Lock()
	defer c.waysMu.Unlock()
	c.ways = append(c.ways, stats)
}

func (c *Station) waysIn() map[string]monitor.Broker {
	c.waysMu.Lock()
	ways := c.ways
	c.waysMu.Unlock()
	out := map[string]monitor.Broker{}
	for _, stats := range ways {
		maps.Copy(out, stats())
	}
	return out
}

// patience is for how long the way to the disk may stand still: half of what
// the manager waits, so that a sign of life is never late for want of a beat.
func (c *Station) patience() time.Duration {
	if w := c.opt.Manager.Watchdog(); w > 0 {
		return min(stillMost, w/2)
	}
	return stillMost
}

// pulse keeps the beat, says what it finds in health, and tells the manager.
func (c *Station) pulse(ctx context.Context) error {
	every := min(beatEvery, c.patience()/4)
	tick := time.NewTicker(every)
	defer tick.Stop()
	if w := c.opt.Manager.Watchdog(); w > 0 && w < shortest {
		c.log.Warn("the service manager's watchdog is too short: a full disk would look like a standstill", "watchdog", w, "try", "WatchdogSec of 1min or more")
	}
	told := ""
	for {
		if writer, stuck := c.writer(); stuck {
			c.health.Set(writer.Name, writer.Level, writer.What, writer.Try)
		} else {
			c.health.Set(checkWriter, health.Ok, "", "")
			c.tell(c.opt.Manager.Alive())
		}
		c.intake.Beat()
		if line := c.stateLine(); line != told {
			c.tell(c.opt.Manager.Status(line))
			told = line
		}
		select {
		case <-ctx.Done():
			if c.serving.Err() != nil { // else serving begins anew
				c.tell(c.opt.Manager.Stopping())
			}
			return ctx.Err()
		case <-tick.C:
		}
	}
}

// tell notes that the manager could not be told; it decides for itself what
// that means.
func (c *Station) tell(err error) {
	if err != nil {
		c.log.Warn("the service manager was not reached", "err", err)
	}
}

// writer is the check of the way to the disk, and whether it stands still.
func (c *Station) writer() (check health.Check, stuck bool) {
	still := c.intake.Still()
	if still < c.patience() {
		return health.Check{Name: checkWriter}, false
	}
	return health.Check{
		Name: checkWriter, Level: health.Bad, Since: time.Now().Add(-still).UTC().Truncate(time.Second),
		What: fmt.Sprintf("nothing has gone through decoding and writing for %s; nothing is acknowledged, brokers keep the messages", still.Round(time.Second)),
		Try:  "see the system's log for errors of the disk; a restart loses nothing, and under systemd it comes by itself",
	}, true
}

// stateLine is one line for people who look at the service.
func (c *Station) stateLine() string {
	ways, up := c.waysIn(), 0
	for _, w := range ways {
		if w.Up {
			up++
		}
	}
	line := fmt.Sprintf("%d of %d ways in are up", up, len(ways))
	if c.mirror != nil {
		line = "works from InfluxDB, no copy yet"
		if at := c.mirror.State().Complete; !at.IsZero() {
			line = "works from InfluxDB, complete as of " + at.Format(time.RFC3339)
		}
	}
	var wrong []string
	for _, check := range c.health.List() {
		if check.Level == health.Bad {
			wrong = append(wrong, check.Name)
		}
	}
	if len(wrong) == 0 {
		return line + "; nothing is wrong"
	}
	return line + "; wrong: " + strings.Join(wrong, ", ")
}

// Live says whether the program does its work at all: where not, a restart is
// what helps.
func (c *Station) Live() health.Probe {
	var p health.Probe
	if writer, stuck := c.writer(); stuck {
		p.Failing = append(p.Failing, writer)
	}
	for _, check := range c.health.List() {
		if check.Level != health.Ok && check.Name != checkWriter {
			p.Others = append(p.Others, check)
		}
	}
	return p
}

// Ready says whether messages can be taken and kept: the way to the disk moves,
// the journal can be written, this machine's clock is set, and one broker at
// least is connected and subscribed to. The stores are up to date by then:
// nothing is served before. A machine with a working copy is ready once that is
// complete, and stays so while it grows old.
func (c *Station) Ready() health.Probe {
	live := c.Live()
	p := health.Probe{Failing: live.Failing}
	ways, up := c.waysIn(), false
	for _, w := range ways {
		up = up || w.Up
	}
	inNamed := false
	for _, check := range live.Others {
		if check.Name == mirror.CheckName && c.mirror != nil {
			if !c.mirror.State().AsOf().IsZero() {
				p.Others = append(p.Others, check)
			}
			continue
		}
		way := vital(check.Name) && !storing(check.Name)
		switch {
		case check.Level == health.Bad && (storing(check.Name) || way && !up):
			p.Failing = append(p.Failing, check)
			inNamed = inNamed || way
		default:
			p.Others = append(p.Others, check)
		}
	}
	if c.mirror != nil {
		if c.mirror.State().AsOf().IsZero() {
			p.Failing = append(p.Failing, health.Check{Name: mirror.CheckName, Level: health.Bad, What: "the working copy is not complete yet", Try: "wait until it is; the health page says what keeps it"})
		}
		return p
	}
	if !up && !inNamed {
		none := health.Check{Name: "ways in", Level: health.Bad, What: "no broker is connected and subscribed to yet", Try: "wait a moment; then see the health page"}
		if len(ways) == 0 {
			none.What, none.Try = "the site file names no broker", "broker or embedded_broker under connections:"
		}
		p.Failing = append(p.Failing, none)
	}
	return p
}

// storing says that nothing is stored while a check is bad.
func storing(check string) bool {
	return check == "journal" || strings.HasPrefix(check, "journal ") || check == "clock"
}

// Figures gives what is counted and measured now.
func (c *Station) Figures() monitor.Figures {
	f := monitor.Figures{
		Version: c.opt.Version, Checks: c.health.List(), Intake: c.intake.Stats(), Still: c.intake.Still(),
		Brokers: c.waysIn(), JournalBytes: -1,
	}
	if host := c.host.Load(); host != nil {
		stats := host.Stats().Host
		f.Sparkplug = &stats
	}
	f.Forward = c.forward.figures()
	if info, err := os.Stat(c.journal.Path()); err == nil {
		f.JournalBytes = info.Size() + size(c.journal.Path()+"-wal")
	}
	if list := snapshotsOf(c.site.Load().SnapshotDir(), c.lead(), c.opt.Now()); len(list) > 0 {
		f.LastSnapshot = list[0].taken
	}
	if fleet, ok := c.latest.load(); ok {
		f.LastForecast = fleet.At
	}
	return f
}

// How much more time is asked for while the stores are being opened, and how
// often it is looked whether that goes on.
const (
	extendBy    = time.Minute
	extendEvery = 10 * time.Second
)

// extending asks the manager for more time for as long as this process reads or
// writes: opening a large journal after an upgrade may take minutes. A disk
// that hangs moves nothing, and the manager's patience then ends. The caller
// ends it.
func extending(extend func(time.Duration) error, moved func() (int64, bool)) (end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(extendEvery)
		defer tick.Stop()
		last, _ := moved()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			now, ok := moved()
			if ok && now != last {
				_ = extend(extendBy) // its own log tells that it was not reached
			}
			last = now
		}
	}()
	return func() { cancel(); <-ended }
}

// processMoved gives the bytes that this process has read and written by calls,
// from and to memory as well.
func processMoved() (bytes int64, ok bool) { return collector.ProcessBytes("rchar", "wchar") }
