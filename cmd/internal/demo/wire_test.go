package demo

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/decode"
	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
)

// register answers the decoder from a site file alone.
type register struct{ site *config.Site }

func (r register) Lookup(id string) (decode.Device, bool) {
	if r.site.Machine(id) != nil {
		return decode.Device{Role: decode.Machine}, true
	}
	if r.site.Gateway(id) != nil {
		return decode.Device{Role: decode.Gateway}, true
	}
	d := r.site.Dispenser(id)
	if d == nil {
		return decode.Device{}, false
	}
	pt := r.site.Point(d.Point)
	return decode.Device{
		Role: decode.Dispenser, CapacityCM3: r.site.Reservoir(pt.Reservoir).UsableCM3, LargestCM3: 250,
		DensityGPerCM3: 0.9, TareG: 40, CM3PerStroke: r.site.Model(d.Model).CM3PerStroke, CM3PerPulse: d.Settings[0].CM3PerPulse,
	}, true
}

// TestPlantSpeaksTheContract sends the plant's messages through the decoder
// and the meter: what is poison is kept aside, the rest is read, and the duty
// that comes out is the duty that went in.
func TestPlantSpeaksTheContract(t *testing.T) {
	for _, opt := range []simulate.Options{{Seed: 21, Days: 90}, {Seed: 22, Days: 60, Points: 40, ReportEvery: 2 * time.Hour}} {
		plant := simulate.New(opt)
		site := plant.Site()
		kept, byDevice := readAll(t, plant, site)
		want := 0
		for _, g := range plant.Glitches() {
			if g.KeptAside {
				want += g.Count
			}
		}
		require.Equal(t, want, kept, "what cannot be used is kept aside, and nothing else")
		silent, glitched := exempt(plant)
		for _, m := range site.Machines {
			if !*m.RunSignal || silent[m.ID] {
				continue
			}
			first, last, sum, flags := fold(byDevice[m.ID], meter.Run, meter.Rules{})
			truth := plant.RunHours(m.ID, first, last)
			// Two decimals of an hour at each end; a state without a counter is
			// sampled to the second.
			require.InDelta(t, truth, sum, 0.05+0.002*truth, "%s: run-hours %s", m.ID, flags)
		}
		for _, d := range site.Dispensers {
			if silent[d.ID] {
				continue
			}
			for _, g := range []meter.Group{meter.Pulse, meter.Dose} {
				stroke := site.Model(d.Model).CM3PerStroke
				first, last, sum, flags := fold(byDevice[d.ID], g, meter.Rules{CM3PerStroke: stroke})
				if first.IsZero() {
					continue
				}
				counted := float64(plant.Counted(d.Point, first, last))
				switch {
				case g == meter.Pulse:
					// A restart may hide what was counted just before it.
					slack := 0.001
					if glitched[d.ID] {
						slack = 3
					}
					require.InDelta(t, counted, sum, slack, "%s: pulses %s", d.ID, flags)
				case stroke > 0:
					require.InDelta(t, counted*stroke, sum, stroke/2, "%s: strokes %s", d.ID, flags)
				default:
					require.InDelta(t, plant.Delivered(d.Point, first, last), sum, 0.02, "%s: measured dose %s", d.ID, flags)
				}
			}
		}
	}
}

// readAll decodes every message and gives the readings by device.
func readAll(t *testing.T, plant *simulate.Plant, site *config.Site) (kept int, byDevice map[string][]reading.Reading) {
	byDevice = map[string][]reading.Reading{}
	reg := register{site}
	for m := range plant.Messages() {
		out, why := decode.Native(reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At}, "lube/v1", site.ID, reg, m.At)
		if why != nil {
			kept++
			continue
		}
		require.Empty(t, out.Hint, "%s %s", m.Topic, m.Payload)
		require.Zero(t, out.Coerced)
		for _, r := range out.Readings {
			require.True(t, r.FromDevice, "every message carries its own time")
			byDevice[out.Device] = append(byDevice[out.Device], r)
		}
	}
	for _, list := range byDevice {
		slices.SortStableFunc(list, reading.Compare)
	}
	return kept, byDevice
}

// exempt names the devices whose truth cannot be compared over the whole
// history because they fall silent, and those with a counter glitch.
func exempt(plant *simulate.Plant) (silent, glitched map[string]bool) {
	silent, glitched = map[string]bool{}, map[string]bool{}
	for _, f := range plant.Faults() {
		if f.Kind == simulate.DispenserSilent {
			silent[f.Device] = true
		}
	}
	for _, g := range plant.Glitches() {
		if !g.KeptAside {
			glitched[g.Device] = true
		}
	}
	return silent, glitched
}

// fold meters one device and gives the first and last instant it knows of.
func fold(list []reading.Reading, g meter.Group, rules meter.Rules) (first, last time.Time, sum float64, flags reading.Flags) {
	f := meter.New(g, rules)
	for i, r := range list {
		if !g.Wants(r.Quantity) || i > 0 && reading.SameEntry(list[i-1], r) {
			continue
		}
		for _, iv := range f.Add(r) {
			if first.IsZero() {
				first = iv.From
			}
			last = iv.To
			if iv.Known && !math.IsNaN(iv.Amount) {
				sum += iv.Amount
			}
			flags |= iv.Flags
		}
	}
	return first, last, sum, flags
}
