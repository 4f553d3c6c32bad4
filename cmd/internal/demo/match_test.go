package demo

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/collector/simulate"
	"dwindle/forecast"
)

func TestMatchFixture(t *testing.T) {
	out := Match(fixtureSite(t), fixtureFaults(), fixture(t).Glitches, fixtureHistory(), fixtureFleet())
	byKind := map[simulate.FaultKind]Finding{}
	for _, f := range out.Findings {
		byKind[f.Fault.Kind] = f
	}
	require.False(t, byKind[simulate.BlockedUnseen].Found)
	require.Equal(t, "counted pulses fall short of the plan", byKind[simulate.MissedPulses].Verdict)
	require.Equal(t, "a-3", byKind[simulate.LeakingFitting].Alarm.ID)
	require.InDelta(t, 8, byKind[simulate.LeakingFitting].Days, 1e-9, "announced twelve days ago, began twenty days ago")
	require.False(t, byKind[simulate.RunSignalLost].Found)
	require.Equal(t, "a-4", byKind[simulate.GatewaySilent].Alarm.ID)
	require.Equal(t, "a-7", byKind[simulate.BlockedLine].Alarm.ID)
	found, observable := out.Seen()
	require.Equal(t, 4, found)
	require.Equal(t, 5, observable)
	require.Equal(t, 1, out.Dates, "the early drift of the boot point")
	require.Len(t, out.False, 1, "only the fan's; silence while messages were held back was true")
	require.Equal(t, "a-6", out.False[0].ID)
}

func TestMatchByTypeAndTime(t *testing.T) {
	site := fixtureSite(t)
	point := func(k simulate.FaultKind) simulate.Fault {
		return simulate.Fault{Kind: k, Point: "elev-1-head", Device: "d-1", Machine: "elev-1", Start: ago(30), Observable: true}
	}
	told := func(ty alarm.Type, since float64) alarm.Row {
		return alarm.Row{Type: ty, Point: "elev-1-head", Machine: "elev-1", State: alarm.Unacknowledged, Since: ago(since), Announced: ptr(ago(since))}
	}
	elsewhere := told(alarm.UnderDelivery, 20)
	elsewhere.Point, elsewhere.Machine = "fan-1-drive", "fan-1"
	ended := point(simulate.BlockedLine)
	ended.Start, ended.End = ago(150), ago(120)
	hushed := told(alarm.UnderDelivery, 20)
	hushed.State, hushed.Announced = alarm.SuppressedByDesign, nil
	for _, c := range []struct {
		name         string
		fault        simulate.Fault
		row          alarm.Row
		found        bool
		false, dates int
	}{
		{"the alarm for it", point(simulate.BlockedLine), told(alarm.UnderDelivery, 20), true, 0, 0},
		{"stood before it began", point(simulate.BlockedLine), told(alarm.UnderDelivery, 40), false, 1, 0},
		{"just before, as silence is", point(simulate.BlockedLine), told(alarm.UnderDelivery, 30.5), true, 0, 0},
		{"wrong direction follows, does not find", point(simulate.LeakingFitting), told(alarm.UnderDelivery, 20), false, 0, 0},
		{"another point", point(simulate.BlockedLine), elsewhere, false, 1, 0},
		{"long after it was put right", ended, told(alarm.UnderDelivery, 20), false, 1, 0},
		{"date alarm without a fault", ended, told(alarm.EmptyBeforeVisit, 20), false, 0, 1},
		{"nobody was told", simulate.Fault{Kind: simulate.RunSignalLost, Machine: "fan-1", Start: ago(3)}, hushed, false, 0, 0},
		{"setting reported", point(simulate.SettingFound), told(alarm.SettingDiffers, 29), true, 0, 0},
		{"halted", point(simulate.DeviceStopped), told(alarm.RunWithoutDose, 28), true, 0, 0},
		{"busier, by a point of the machine", simulate.Fault{Kind: simulate.MachineBusier, Machine: "elev-1", Start: ago(30)}, told(alarm.EmptyDateDrifts, 9), true, 0, 0},
		{"what cannot be seen may be guessed", point(simulate.BlockedUnseen), told(alarm.EmptyDateDrifts, 9), false, 0, 0},
		{"run signal", simulate.Fault{Kind: simulate.RunSignalLost, Machine: "fan-1", Start: ago(3)}, alarm.Row{Type: alarm.NoTelemetry, Device: "fan-1", State: alarm.Unacknowledged, Since: ago(3), Announced: ptr(ago(2.8))}, true, 0, 0},
		{"dispenser", simulate.Fault{Kind: simulate.DispenserSilent, Point: "fan-1-drive", Device: "d-3", Start: ago(3)}, alarm.Row{Type: alarm.NoTelemetry, Device: "d-3", State: alarm.Unacknowledged, Since: ago(3)}, true, 0, 0},
		{"child of a silent gateway", simulate.Fault{Kind: simulate.GatewaySilent, Gateway: "gw-quay", Start: ago(3)}, alarm.Row{Type: alarm.NoTelemetry, Device: "d-4", State: alarm.Unacknowledged, Since: ago(3), Announced: ptr(ago(3))}, false, 0, 0},
		{"behind another gateway", simulate.Fault{Kind: simulate.GatewaySilent, Gateway: "gw-quay", Start: ago(3)}, alarm.Row{Type: alarm.NoTelemetry, Device: "d-1", State: alarm.Unacknowledged, Since: ago(3), Announced: ptr(ago(3))}, false, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			out := Match(site, []simulate.Fault{c.fault}, nil, []alarm.Row{c.row}, forecast.Fleet{At: now})
			require.Equal(t, c.found, out.Findings[0].Found)
			require.Len(t, out.False, c.false)
			require.Equal(t, c.dates, out.Dates)
		})
	}
}

func TestMatchTakesTheFirstAlarm(t *testing.T) {
	f := simulate.Fault{Kind: simulate.BlockedLine, Point: "elev-1-head", Start: ago(30)}
	rows := []alarm.Row{
		{ID: "late", Type: alarm.UnderDelivery, Point: "elev-1-head", State: alarm.Normal, Since: ago(5), Announced: ptr(ago(5))},
		{ID: "early", Type: alarm.RunWithoutDose, Point: "elev-1-head", State: alarm.Normal, Since: ago(25), Announced: ptr(ago(24))},
	}
	out := Match(fixtureSite(t), []simulate.Fault{f}, nil, rows, forecast.Fleet{At: now})
	require.Equal(t, "early", out.Findings[0].Alarm.ID)
	require.InDelta(t, 6, out.Findings[0].Days, 1e-9)
}

func TestEveryFaultKindHasWordsAndSigns(t *testing.T) {
	for kind := range signsOf {
		require.Contains(t, faultPhrases, kind)
	}
	require.Len(t, faultPhrases, len(signsOf))
	for _, f := range simulate.New(simulate.Options{Seed: 3}).Faults() {
		require.Contains(t, signsOf, f.Kind)
		require.Equal(t, f.Observable, f.Kind != simulate.BlockedUnseen && f.Observable, "only what has signs can be seen")
	}
}
