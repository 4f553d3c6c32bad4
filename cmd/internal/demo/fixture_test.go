package demo

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/collector"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// The fixture is a small plant written down by hand, so that the printed text
// depends on nothing but this package.

var now = time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC) // 08:00 summer time

func ptr[T any](v T) *T { return &v }

func day(month time.Month, d int) *civil.Date { return ptr(civil.New(2026, month, d)) }

func ago(days float64) time.Time { return now.Add(-time.Duration(days * 24 * float64(time.Hour))) }

func fixtureSite(t *testing.T) *config.Site {
	t.Helper()
	s := &config.Site{
		ID: "small", Name: "Small grain terminal", Zone: "CET",
		Areas: []config.Area{{ID: "tower", Name: "Silo tower"}, {ID: "quay", Name: "Quay"}},
		Machines: []config.Machine{
			{ID: "elev-1", Name: "Bucket elevator 1", Area: "tower", Criticality: "A"},
			{ID: "fan-1", Name: "Aeration fan 1", Area: "tower", Criticality: "B"},
			{ID: "belt-1", Name: "Quay belt 1", Area: "quay", Criticality: "B"},
		},
		Gateways: []config.Gateway{
			{ID: "gw-tower", Name: "Tower gateway", Machines: []string{"elev-1", "fan-1"}, Dispensers: []string{"d-1", "d-2", "d-3"}},
			{ID: "gw-quay", Name: "Quay gateway", Machines: []string{"belt-1"}, Dispensers: []string{"d-4", "d-5"}},
		},
		Points: []config.Point{
			{ID: "elev-1-head", Name: "Head shaft bearing", Machine: "elev-1", Location: "head platform"},
			{ID: "elev-1-boot", Name: "Boot shaft bearing", Machine: "elev-1", Location: "boot pit"},
			{ID: "fan-1-drive", Name: "Drive-side bearing", Machine: "fan-1", Location: "fan base"},
			{ID: "belt-1-head", Name: "Head drum bearing", Machine: "belt-1", Location: "walkway"},
			{ID: "belt-1-tail", Name: "Tail drum bearing", Machine: "belt-1"},
		},
		Dispensers: []config.Dispenser{
			{ID: "d-1", Point: "elev-1-head"}, {ID: "d-2", Point: "elev-1-boot"}, {ID: "d-3", Point: "fan-1-drive"},
			{ID: "d-4", Point: "belt-1-head"}, {ID: "d-5", Point: "belt-1-tail"},
		},
	}
	require.NoError(t, s.Reindex())
	return s
}

func fixtureFleet() forecast.Fleet {
	row := func(point, machine string, left float64, p10, p50, p90 *civil.Date, chance float64, drift int) forecast.Row {
		r := forecast.Row{Point: point, Machine: machine, CapacityCM3: ptr(120.0), RemainingCM3: ptr(left), EmptyP10: p10, EmptyP50: p50, EmptyP90: p90,
			NextVisit: day(7, 14), ChanceBeforeVisit: &chance, DriftDays: &drift}
		if p10 != nil {
			r.ChangeBefore = ptr(*p10 - 1)
		}
		return r
	}
	beyond := row("fan-1-drive", "fan-1", 118, nil, nil, nil, 0, 0)
	beyond.BeyondDays, beyond.DriftDays = ptr(730), nil
	states := []forecast.State{
		{Row: beyond},
		{Row: row("elev-1-boot", "elev-1", 64, day(9, 2), day(9, 20), ptr(civil.New(2027, 1, 8)), 0.001, 0)},
		{Row: row("elev-1-head", "elev-1", 9, day(7, 9), day(7, 12), day(7, 16), 0.71, -21), Delivery: forecast.Delivery{Verdict: forecast.Over}},
		{Row: forecast.Row{Point: "belt-1-head", Machine: "belt-1", Withheld: "the gateway has been silent since 29 June; use since then is not known"}},
		{Row: row("belt-1-tail", "belt-1", 80, day(8, 1), day(8, 9), day(8, 20), 0.03, 4), Counted: &forecast.Counted{ExpectedPulses: 200, CountedPulses: 120, MissedPulses: 80}},
	}
	return forecast.Fleet{Site: "small", Zone: "CET", At: now, States: states}
}

func fixtureFaults() []simulate.Fault {
	return []simulate.Fault{
		{Kind: simulate.BlockedUnseen, Point: "elev-1-boot", Device: "d-2", Machine: "elev-1", Start: ago(30), Why: "the device only counts its own doses; nothing measures what goes out"},
		{Kind: simulate.MissedPulses, Point: "belt-1-tail", Device: "d-5", Machine: "belt-1", Start: ago(40), Size: 0.4, Observable: true, Why: "the device counts fewer pulses than the plan expects"},
		{Kind: simulate.LeakingFitting, Point: "elev-1-head", Device: "d-1", Machine: "elev-1", Start: ago(20), Size: 1.9, Observable: true, Why: "the level falls at another rate than commanded"},
		{Kind: simulate.RunSignalLost, Machine: "fan-1", Start: ago(5), Observable: true, Why: "its run messages stop"},
		{Kind: simulate.GatewaySilent, Gateway: "gw-quay", Start: ago(1.5), Observable: true, Why: "everything behind it falls silent at once"},
		{Kind: simulate.BlockedLine, Point: "belt-1-head", Device: "d-4", Machine: "belt-1", Start: ago(100), End: ago(80), Observable: true, Why: "the measurement stands still while the machine runs"},
	}
}

func fixtureHistory() []alarm.Row {
	over := alarm.Row{ID: "a-3", Type: alarm.OverDelivery, Point: "elev-1-head", Machine: "elev-1", State: alarm.Unacknowledged, Priority: alarm.High, Since: ago(13), Announced: ptr(ago(12)),
		Value: 1.9, Limit: 1.15, Unit: "1", Detail: "1.90 of what was commanded went out over 14 days, measured", Cause: "line leaks, or the setting is too high",
		Consequence: "grease is lost and the reservoir is empty early", Response: []string{"look for grease at the fitting and along the line", "check the setting"}, Owner: "technician"}
	silent := alarm.Row{ID: "a-4", Type: alarm.GatewaySilent, Gateway: "gw-quay", State: alarm.Unacknowledged, Priority: alarm.Medium, Since: ago(1.6), Announced: ptr(ago(1.4)),
		Value: 36, Limit: 3, Unit: "h", Cause: "power or uplink lost", Consequence: "an empty reservoir behind it would not be noticed", Response: []string{"look whether the gateway has power"}, Children: []string{"belt-1", "d-4", "d-5"}}
	return []alarm.Row{
		{ID: "a-1", Type: alarm.NoTelemetry, Device: "d-3", State: alarm.Normal, Since: ago(60), Announced: ptr(ago(60)), Ended: ptr(ago(59.5))},
		{ID: "a-2", Type: alarm.EmptyDateDrifts, Point: "elev-1-boot", State: alarm.Normal, Since: ago(90), Announced: ptr(ago(90)), Ended: ptr(ago(70))},
		over, silent,
		{ID: "a-5", Type: alarm.NoTelemetry, Device: "d-4", State: alarm.SuppressedByDesign, Since: ago(1.6)},
		{ID: "a-6", Type: alarm.UnderDelivery, Point: "fan-1-drive", State: alarm.Normal, Since: ago(50), Announced: ptr(ago(50)), Ended: ptr(ago(45))},
		{ID: "a-7", Type: alarm.UnderDelivery, Point: "belt-1-head", State: alarm.Normal, Since: ago(88), Announced: ptr(ago(88)), Ended: ptr(ago(70))},
	}
}

func fixture(t *testing.T) Input {
	h := fixtureHistory()
	return Input{
		Site: fixtureSite(t), Fleet: fixtureFleet(), Open: []alarm.Row{h[2], h[3], h[4]}, History: h,
		Intake: collector.Stats{Received: 193311, Stored: 193270, Duplicates: 20, Kept: map[string]int64{"not_json": 5, "unknown_device": 18}, Unknown: 18, Commits: 204, Rows: 211042},
		Sent:   193291, Days: 200, Took: 9500 * time.Millisecond,
		Samples: map[string]Sample{
			"not_json":       {Topic: "lube/v1/small/d-1/status", Payload: []byte("\xff\x00\x9c1"), Detail: "ends where a value should begin", Remedy: "send one complete JSON object"},
			"unknown_device": {Topic: "lube/v1/small/disp-new-1/pulse", Payload: []byte(`{"at":"2026-06-14T02:00:00Z","count":7}`), Detail: "disp-new-1 is not in the site file"},
		},
		Faults: fixtureFaults(), Seed: 7,
		Glitches: []simulate.Glitch{{Kind: simulate.LateDisordered, Device: "gw-tower", At: ago(60.2), Until: ago(59.6)}},
	}
}
