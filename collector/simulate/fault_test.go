package simulate

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestFaultsAreOfEveryKindAndTrue(t *testing.T) {
	for seed := range uint64(6) {
		p := New(Options{Seed: seed})
		kinds := map[FaultKind]int{}
		struck := map[string]bool{}
		for _, f := range p.Faults() {
			kinds[f.Kind]++
			require.NotEmpty(t, f.Why)
			require.False(t, f.Start.Before(p.Start()))
			require.True(t, f.Start.Before(p.End()))
			require.False(t, struck[f.Where()], "two faults at %s", f.Where())
			struck[f.Where()] = true
			if f.Point == "" || f.Kind == DispenserSilent {
				continue
			}
			before, _ := p.Truth(f.Point, f.Start.Add(-time.Hour))
			require.InDelta(t, 1, before.Factor, 0.2, "%s at %s was healthy before", f.Kind, f.Point)
			if !f.End.IsZero() {
				continue
			}
			now, _ := p.Truth(f.Point, p.End())
			if math.IsNaN(now.Factor) {
				continue // the machine stood for the last week: nothing to compare
			}
			switch f.Kind {
			case BlockedLine, BlockedUnseen, DeviceStopped:
				require.Zero(t, now.Factor, "%s at %s", f.Kind, f.Point)
			case PartialBlockage:
				require.InDelta(t, 0.5, now.Factor, 0.15)
			case LeakingFitting:
				require.Greater(t, now.Factor, 1.15)
			case SettingHidden:
				require.Greater(t, math.Abs(now.Factor-1), 0.2)
			case SettingFound, MissedPulses:
				// The device does what it was told, or what it counted.
				require.InDelta(t, 1, now.Factor, 0.25, "%s at %s", f.Kind, f.Point)
			}
		}
		for _, k := range []FaultKind{BlockedLine, PartialBlockage, SettingFound, SettingHidden, LeakingFitting, GatewaySilent, DispenserSilent, RunSignalLost, BlockedUnseen, MissedPulses, DeviceStopped, MachineBusier} {
			require.NotZero(t, kinds[k], "seed %d has no %s", seed, k)
		}
	}
}

func TestSilenceIsSilent(t *testing.T) {
	p := New(Options{Seed: 2})
	from := map[string]time.Time{} // device -> silent since
	s := p.Site()
	for _, f := range p.Faults() {
		switch f.Kind {
		case GatewaySilent:
			g := s.Gateway(f.Gateway)
			from[g.ID] = f.Start
			for _, id := range append(append([]string{}, g.Machines...), g.Dispensers...) {
				from[id] = f.Start
			}
		case DispenserSilent:
			from[f.Device] = f.Start
		case RunSignalLost:
			from[f.Machine] = f.Start
		}
	}
	require.GreaterOrEqual(t, len(from), 5)
	for m := range p.Messages() {
		device, _ := channelOf(m.Topic)
		if since, ok := from[device]; ok {
			require.True(t, m.At.Before(since), "%s was to be silent since %s", m.Topic, since)
		}
	}
}

func TestGlitchesReachTheWire(t *testing.T) {
	p := New(Options{Seed: 5})
	want := map[GlitchKind]bool{}
	for _, g := range p.Glitches() {
		want[g.Kind] = true
	}
	for _, k := range []GlitchKind{TruncatedJSON, NotJSON, EmptyPayload, UnknownDevice, AbsurdLevel, NegativeHours, UnknownUnit, CounterReset, TransientZero, AbsurdJump, Repeats, LateDisordered} {
		require.True(t, want[k], "no %s", k)
	}
	var broken, repeats, late, falls int
	var before Sent
	counts := map[string]float64{}
	newest := map[string]time.Time{}
	for m := range p.Messages() {
		if !json.Valid(m.Payload) {
			broken++
			continue
		}
		if m.Topic == before.Topic && bytes.Equal(m.Payload, before.Payload) {
			repeats++
		}
		before = m
		var in map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(m.Payload, &in))
		device, _ := channelOf(m.Topic)
		at := instant(t, in["at"])
		if at.Before(newest[device]) {
			late++
			continue
		}
		newest[device] = at
		for _, name := range []string{"hours", "count"} {
			var v float64
			if raw, ok := in[name]; ok && json.Unmarshal(raw, &v) == nil {
				if v < counts[device+name] {
					falls++
				}
				counts[device+name] = v
			}
		}
	}
	require.GreaterOrEqual(t, broken, 6)
	require.GreaterOrEqual(t, repeats, 20, "one machine and one dispenser send everything twice over ten reports")
	require.Greater(t, late, 10)
	require.GreaterOrEqual(t, falls, 3, "resets, transient noughts, the way back from an absurd jump")
}

func TestAnyPlantCanBeMade(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := New(Options{
			Seed: rapid.Uint64().Draw(t, "seed"), Points: rapid.IntRange(1, 70).Draw(t, "points"), Days: rapid.IntRange(1, 60).Draw(t, "days"),
			FutureDays: 10, LevelStepPercent: rapid.SampledFrom([]float64{0.5, 2, 10, 25}).Draw(t, "step"),
			ReportEvery: time.Duration(rapid.IntRange(0, 13).Draw(t, "hours")) * time.Hour,
			End:         time.Date(2026, 1, 1, rapid.IntRange(0, 9000).Draw(t, "end"), 0, 0, 0, time.UTC),
		})
		n := 0
		for m := range p.Messages() {
			require.False(t, m.At.Before(p.Start()))
			require.False(t, m.At.After(p.End()))
			if n++; n > 500 {
				break // a caller may stop at any message
			}
		}
		for _, f := range p.Faults() {
			require.NotEmpty(t, f.Where())
			require.NotEmpty(t, f.Why)
			require.False(t, math.IsNaN(f.Size) || math.IsInf(f.Size, 0))
		}
		require.NoError(t, p.Site().Validate())
	})
}
