// Package simulate is a made-up plant that sends messages: a riverside grain
// terminal whose lubricators empty, fail and get new reservoirs, for the demo,
// for tests and for benchmarks.
//
// Everything follows from the seed: the register, how much each machine runs,
// what each dispenser really delivers, when the crew changes reservoirs, which
// faults strike, and every byte that is sent. Because the truth is known
// ([Plant.Truth], [Plant.Faults]), forecasts and alarms can be judged by it.
//
// It imports config and the reading nouns, nothing that comes later in the
// house: what it simulates must not depend on what judges it. Start with [New],
// then [Plant.Site], [Plant.Facts] and [Plant.Messages]; [Publish] sends them
// over real MQTT connections.
package simulate

import (
	"slices"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// Options say which plant to make. Zero values take the defaults.
type Options struct {
	Seed   uint64
	Points int       // lube points; default 30
	Days   int       // civil days of history before End's day; default 200
	End    time.Time // end of the history, cut to the hour; default 2026-07-01 06:00 UTC
	// FutureDays is how far machine use is known beyond End, for [Plant.Live]
	// and for true empty dates; default 500.
	FutureDays int
	// LevelStepPercent is the resolution of level sensors, percent of the
	// usable volume; default 2.
	LevelStepPercent float64
	// ReportEvery is the interval of run and pulse messages, in whole hours;
	// default 1 h. Longer intervals make fewer messages for long tests.
	ReportEvery time.Duration
	// Prefix is the topic prefix; default lube/v1.
	Prefix string
	// Healthy leaves out all faults and all bad telemetry. Histories of less
	// than five days have no faults either.
	Healthy bool
}

func (o Options) withDefaults() Options {
	if o.Points <= 0 {
		o.Points = 30
	}
	if o.Days <= 0 {
		o.Days = 200
	}
	if o.End.IsZero() {
		o.End = time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	}
	o.End = o.End.UTC().Truncate(time.Hour)
	if o.FutureDays <= 0 {
		o.FutureDays = 500
	}
	if o.LevelStepPercent <= 0 {
		o.LevelStepPercent = 2
	}
	o.ReportEvery = max(o.ReportEvery.Truncate(time.Hour), time.Hour)
	if o.Prefix == "" {
		o.Prefix = "lube/v1"
	}
	return o
}

// Sent is one message as a gateway sends it. At is when it is sent, which for
// messages held back by an outage is later than the time in the payload.
type Sent struct {
	At      time.Time
	Topic   string
	Payload []byte
}

// Plant is a simulated site with its whole past and a future that is not yet
// told. It does not change after New: all methods are safe for concurrent use.
type Plant struct {
	opt   Options
	loc   *time.Location
	start time.Time  // first instant of the history
	first civil.Date // its civil date
	days  int        // civil days known, history and future
	past  int        // hours of history
	hours int        // hours known, history and future

	site     *config.Site
	gateways []gateway
	machines []machine
	points   []point
	faults   []Fault
	glitches []Glitch
	facts    []reading.Fact
	byID     map[string]int // points
	specials []special      // changes, poison: sorted by time
	schedule []slot         // sorted by second of the hour
}

// New makes the plant of a seed. It works out the truth of every hour but no
// message; for 30 points and 200 days it takes some tens of milliseconds.
func New(opt Options) *Plant {
	opt = opt.withDefaults()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		// A machine without zone data: a fixed offset keeps the plant usable,
		// though its days then have no summer time.
		loc = time.FixedZone(zone, 3600)
	}
	p := &Plant{opt: opt, loc: loc}
	today := civil.Of(opt.End, loc)
	p.first = today - civil.Date(opt.Days)
	p.start = p.first.Start(loc)
	p.days = opt.Days + 1 + opt.FutureDays
	p.past = int(opt.End.Sub(p.start) / time.Hour)
	p.hours = int((p.first + civil.Date(p.days)).Start(loc).Sub(p.start) / time.Hour)

	p.layout()
	p.calendar()
	p.placeFaults()
	for i := range p.machines {
		p.runMachine(&p.machines[i])
	}
	p.planDoses()
	for i := range p.points {
		p.points[i].missetPoint()
	}
	for i := range p.points {
		p.feedPoint(&p.points[i])
	}
	p.crew()
	p.settleFaults()
	p.placeGlitches()
	p.register()
	p.scheduleReports()
	return p
}

// Site is the register of the plant, complete and valid, made by hand: it has
// no path. The caller may change its connections and data directory.
func (p *Plant) Site() *config.Site { return p.site }

// Start and End bound the history.
func (p *Plant) Start() time.Time { return p.start }

// End is the end of the history.
func (p *Plant) End() time.Time { return p.opt.End }

// Facts are what people entered, in time order: the commissioning of every
// point, the reservoir changes that no device reported, some weighings. Record
// them before the messages, so that levels are judged against the right fill.
func (p *Plant) Facts() []reading.Fact { return slices.Clone(p.facts) }

// Faults are what is really wrong, in order of their beginning.
func (p *Plant) Faults() []Fault { return slices.Clone(p.faults) }

// Glitches are the bad messages and bad telemetry that the intake has to
// survive, in time order.
func (p *Plant) Glitches() []Glitch { return slices.Clone(p.glitches) }

// at turns seconds since the start into an instant.
func (p *Plant) at(sec int64) time.Time { return p.start.Add(time.Duration(sec) * time.Second) }

// since turns an instant into seconds since the start.
func (p *Plant) since(t time.Time) int64 { return int64(t.Sub(p.start) / time.Second) }

// dateStart is the second at which the d-th civil day of the plant begins.
func (p *Plant) dateStart(d int) int64 {
	return p.since((p.first + civil.Date(d)).Start(p.loc))
}

func (p *Plant) endSec() int64 { return int64(p.past) * 3600 }
