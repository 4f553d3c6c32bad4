package main

import (
	"context"
	"fmt"
	"iter"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/demo"
	"dwindle/cmd/internal/station"
	"dwindle/collector/decode"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// played is a simulated site whose history has gone through the real program.
type played struct {
	site  *config.Site
	plant *simulate.Plant
	st    *station.Station
	at    station.Addresses

	sent    int // messages acknowledged to the senders
	fleet   forecast.Fleet
	learned station.Learned
	alarms  []alarm.Row // every occurrence of the history
	took    map[string]time.Duration
	hold    chan struct{}
	stop    context.CancelFunc
	stopped chan error
}

// looksADay are the site hours at which the watch looks at the past: morning
// and afternoon, so that what has to hold at two looks in a row is found within
// a day.
var looksADay = []time.Duration{6 * time.Hour, 18 * time.Hour}

// play runs a station on the plant's site, sends the plant's whole history
// through it and lets the watch look at every day of it. With connections the
// messages go over MQTT to the embedded broker; with none they are handed to
// the intake directly, for tests that need many plants.
func play(ctx context.Context, site *config.Site, plant *simulate.Plant, connections int, note func(string, ...any)) (*played, error) {
	p := &played{site: site, plant: plant, hold: make(chan struct{}), took: map[string]time.Duration{}, stopped: make(chan error, 1)}
	ready := make(chan station.Addresses, 1)
	st, err := station.New(ctx, site, station.Options{HoldWatch: p.hold, Ready: func(a station.Addresses) { ready <- a }})
	if err != nil {
		return nil, err
	}
	p.st = st
	run, stop := context.WithCancel(ctx)
	p.stop = stop
	go func() { p.stopped <- st.Run(run) }()
	select {
	case p.at = <-ready:
	case err := <-p.stopped:
		p.stopped <- nil
		return p, err
	}
	note("Sending %d days of messages from %d machines and %d dispensers ...", int(plant.End().Sub(plant.Start()).Hours()/24), len(site.Machines), len(site.Dispensers))
	begin := time.Now()
	if err := st.Record(ctx, plant.Facts()...); err != nil {
		return p, fmt.Errorf("record what people did: %w", err)
	}
	if p.sent, err = p.feed(ctx, plant.Messages(), connections); err != nil {
		return p, fmt.Errorf("send the history: %w", err)
	}
	if err := st.Intake().Flush(ctx); err != nil {
		return p, fmt.Errorf("take in the history: %w", err)
	}
	p.took["intake"] = time.Since(begin)
	note("%d messages are on disk after %.0f s. Looking at each day as it was then ...", p.sent, p.took["intake"].Seconds())
	// The looks before the last day go by what was known then: by no
	// calibration of the site's own.
	begin = time.Now()
	if p.learned, err = st.Learn(ctx, plant.End()); err != nil {
		return p, err
	}
	if err := p.lookBack(ctx); err != nil {
		return p, err
	}
	p.took["looks"] = time.Since(begin)
	return p, nil
}

// feed sends messages and returns how many were acknowledged.
func (p *played) feed(ctx context.Context, messages iter.Seq[simulate.Sent], connections int) (n int, err error) {
	if connections > 0 {
		return simulate.Publish(ctx, p.at.Broker, connections, messages)
	}
	for m := range messages {
		err := p.st.Intake().Submit(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"})
		if err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}

// lookBack lets the watch look at every past day as it would have then, and
// keeps the last fleet.
func (p *played) lookBack(ctx context.Context) error {
	first, last := p.plant.Dates()
	for day := first; day <= last; day++ {
		for _, hour := range looksADay {
			at := day.Start(p.site.Location()).Add(hour)
			if at.After(p.plant.End()) {
				break
			}
			if _, err := p.st.Pass(ctx, at); err != nil {
				return fmt.Errorf("look at %s: %w", day, err)
			}
			if err := p.acknowledge(ctx, at); err != nil {
				return fmt.Errorf("look at %s: %w", day, err)
			}
		}
	}
	var err error
	if p.fleet, err = p.st.Pass(ctx, p.plant.End()); err != nil {
		return fmt.Errorf("look at the end of the history: %w", err)
	}
	p.alarms, err = p.st.AlarmRows(ctx, true)
	return err
}

// acknowledge does what the plant's shift would do: an alarm that has been on
// the list since an earlier look is acknowledged. Without it the list would
// fill with alarms that were over long ago and that nobody had seen.
func (p *played) acknowledge(ctx context.Context, at time.Time) error {
	rows, err := p.st.AlarmRows(ctx, false)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.State != alarm.Unacknowledged && r.State != alarm.ReturnedUnacked || !r.Since.Before(at.Add(-minSeen)) {
			continue
		}
		d := station.Decision{Verb: station.Acknowledge, ID: r.ID, By: "shift", Note: "seen at the daily look", At: at}
		if err := p.st.Decide(ctx, d); err != nil {
			return err
		}
	}
	return nil
}

// minSeen is how long an alarm has been on the list before the simulated shift
// acknowledges it.
const minSeen = 12 * time.Hour

// goLive lets the plant send on at a steady rhythm until ctx ends.
func (p *played) goLive(ctx context.Context, plant *simulate.Plant) error {
	tick := time.NewTicker(liveEvery)
	defer tick.Stop()
	next, done := iter.Pull(plant.Live(time.Now().UTC().Truncate(time.Second), liveEvery))
	defer done()
	m, ok := next()
	for ok {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-p.stopped:
			p.stopped <- nil
			return err
		case <-tick.C:
		}
		round := m.At
		batch := func(yield func(simulate.Sent) bool) {
			for ok && m.At.Equal(round) {
				if !yield(m) {
					return
				}
				m, ok = next()
			}
		}
		if _, err := simulate.Publish(ctx, p.at.Broker, demoConnections, batch); err != nil {
			return fmt.Errorf("send live messages: %w", err)
		}
	}
	return nil
}

// close stops the station and waits for it.
func (p *played) close() error {
	if p.stop != nil {
		p.stop()
		<-p.stopped
	}
	return p.st.Close()
}

// input gathers what the report shows.
func (p *played) input(ctx context.Context) (demo.Input, error) {
	open, err := p.st.AlarmRows(ctx, false)
	if err != nil {
		return demo.Input{}, err
	}
	samples, err := p.samples(ctx)
	if err != nil {
		return demo.Input{}, err
	}
	return demo.Input{
		Site: p.site, Fleet: p.fleet, Open: open, History: p.alarms,
		Intake: p.st.Intake().Stats(), Sent: p.sent, Took: p.took["intake"], Samples: samples,
		Calibration: &demo.Calibration{Version: p.learned.Version, Series: p.learned.Series, Cases: p.learned.Cases},
		Days:        int(p.plant.End().Sub(p.plant.Start()).Hours() / 24),
		Faults:      p.plant.Faults(), Glitches: p.plant.Glitches(),
	}, nil
}

// keptSamples is how many kept-aside messages are read to find one of each
// reason.
const keptSamples = 2000

// samples gives one kept-aside message for each reason.
func (p *played) samples(ctx context.Context) (map[string]demo.Sample, error) {
	kept, err := p.st.Journal().KeptAside(ctx, keptSamples)
	if err != nil {
		return nil, err
	}
	out := map[string]demo.Sample{}
	for _, k := range kept {
		if _, ok := out[k.Reason]; ok || k.Topic == "" {
			continue
		}
		out[k.Reason] = demo.Sample{Topic: k.Topic, Payload: k.Payload, Detail: k.Detail, Remedy: remedy(k.Reason)}
	}
	return out, nil
}

// remedy says what to do about messages kept aside for a reason.
func remedy(reason string) string {
	r, err := decode.ParseReason(reason)
	if err != nil {
		return "" // a reason of the journal's own, such as a conflict
	}
	return r.Remedy()
}
