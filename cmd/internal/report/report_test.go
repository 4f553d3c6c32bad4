package report_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/report"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

func ptr[T any](v T) *T { return &v }

var now = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

func site(t *testing.T) *config.Site {
	t.Helper()
	s := &config.Site{
		ID: "quay", Name: "Riverside grain terminal", Zone: "CET",
		Areas:      []config.Area{{ID: "intake", Name: "Ship intake"}},
		Machines:   []config.Machine{{ID: "be-01", Name: "Bucket elevator 1", Area: "intake"}, {ID: "fan-2", Area: "intake"}},
		Gateways:   []config.Gateway{{ID: "gw-1", Name: "Intake gateway"}},
		Points:     []config.Point{{ID: "be-01-head", Name: "Head bearing", Machine: "be-01", Location: "head platform"}, {ID: "be-01-boot", Machine: "be-01"}, {ID: "fan-2-drive", Name: "Drive-side bearing", Machine: "fan-2"}},
		Dispensers: []config.Dispenser{{ID: "d-01", Point: "be-01-head"}},
		Roles:      []config.Role{{ID: "technician", Name: "Lubrication technician"}},
	}
	require.NoError(t, s.Reindex())
	return s
}

func date(y int, m time.Month, d int) *civil.Date { return ptr(civil.New(y, m, d)) }

func fleet() forecast.Fleet {
	return forecast.Fleet{Site: "quay", Zone: "CET", At: now, States: []forecast.State{
		{Row: forecast.Row{Point: "be-01-boot", Machine: "be-01", Withheld: "no reservoir change is recorded at this point yet; record it with dwindle change"}},
		{Row: forecast.Row{Point: "fan-2-drive", Machine: "fan-2", CapacityCM3: ptr(120.0), RemainingCM3: ptr(118.0), EmptyP10: date(2027, 12, 1), EmptyP50: date(2028, 3, 1), BeyondDays: ptr(730), ChangeBefore: date(2027, 11, 30), DriftDays: ptr(1)}},
		{Row: forecast.Row{Point: "be-01-head", Machine: "be-01", CapacityCM3: ptr(120.0), RemainingCM3: ptr(9.4), EmptyP10: date(2026, 12, 3), EmptyP50: date(2026, 12, 6), EmptyP90: date(2026, 12, 11), ChangeBefore: date(2026, 12, 2), DriftDays: ptr(-21), NextVisit: date(2026, 12, 7), ChanceBeforeVisit: ptr(0.61)}},
	}}
}

func TestFleet(t *testing.T) {
	for name, width := range map[string]int{"fleet_wide": 100, "fleet_narrow": 60} {
		var out bytes.Buffer
		require.NoError(t, report.Fleet(&out, width, site(t), fleet()))
		golden(t, name, out.String())
		for line := range strings.Lines(out.String()) {
			require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), width, line)
		}
	}
}

// The chance asked for takes the place of that before the visit; what is empty
// says since when, and that it is time.
func TestFleetBeforeADate(t *testing.T) {
	f := fleet()
	f.States[2].ChanceBefore = func(d civil.Date) float64 { return map[bool]float64{true: 0.83}[d == *date(2026, 12, 8)] }
	f.States[1].Row.EmptySince, f.States[1].Row.ActChance, f.States[1].Row.ActBefore = date(2026, 11, 20), ptr(0.1), date(2026, 11, 1)
	f.States[1].Row.Notices = []string{"the level rose to 120 cm3 on 3 Nov", "another"}
	f.States[2].Row.Notices = []string{"a third"}
	for _, width := range []int{100, 60} {
		var out bytes.Buffer
		require.NoError(t, report.FleetBefore(&out, width, site(t), f, date(2026, 12, 9)))
		got := strings.Join(strings.Fields(out.String()), " ")
		require.Contains(t, got, "empty before 9 Dec")
		require.Contains(t, got, "83 %")
		require.NotContains(t, got, "61 %")
		require.Contains(t, got, "empty since about 20 Nov")
		require.Contains(t, got, "by estimate")
		require.Regexp(t, "20 Nov now|change by now", got)
		require.Contains(t, got, "when that day begins")
		require.Contains(t, got, "To know beside the figures: fan-2-drive the level rose to 120 cm3")
		require.Equal(t, 1, strings.Count(got, "To know beside the figures"))
	}
}

func TestDelivery(t *testing.T) {
	from := now.Add(-28 * 24 * time.Hour)
	rows := []forecast.Delivery{
		{Point: "be-01-head", From: from, To: now, PlannedCM3: ptr(20.0), CommandedCM3: ptr(20.2), DeliveredCM3: ptr(-0.01), Ratio: ptr(-0.0005), RatioSD: ptr(0.04), Evidence: config.EvidenceMeasured, Verdict: forecast.NotDispensing, Why: "the level has not moved: blocked line or stuck sensor, which look alike from here"},
		{Point: "be-01-boot", From: from, To: now, PlannedCM3: ptr(8.0), Evidence: config.EvidenceCounted, Verdict: forecast.NotObservable, Why: "the device only counts its own doses"},
		{Point: "fan-2-drive", From: from, To: now, Evidence: config.EvidenceNone, Verdict: forecast.NotObservable, Why: "the device only counts its own doses"},
	}
	var out bytes.Buffer
	require.NoError(t, report.Delivery(&out, 100, site(t), rows))
	golden(t, "delivery", out.String())
}

func TestAlarms(t *testing.T) {
	rows := []alarm.Row{
		{ID: "12", Type: alarm.UnderDelivery, Point: "be-01-head", State: alarm.Acknowledged, Priority: alarm.High, PriorityReason: "high: nothing is delivered", Since: now.Add(-50 * time.Hour), Detail: "0 % of what was commanded was delivered", Cause: "blocked line", Consequence: "the bearing runs dry", Response: []string{"Stop and lock out.", "Look for fresh grease at the outlet."}, Owner: "technician", AcknowledgedBy: "kim"},
		{ID: "13", Type: alarm.GatewaySilent, Gateway: "gw-1", State: alarm.Unacknowledged, Priority: alarm.Low, Since: now, Children: []string{"be-01", "d-01"}, Owner: "gateway_owner"},
		{ID: "14", Type: alarm.NoTelemetry, Device: "be-01", State: alarm.Shelved, Priority: alarm.Medium, Since: now, ShelvedUntil: ptr(now.Add(48 * time.Hour))},
		{ID: "15", Type: alarm.NoTelemetry, Device: "d-01", State: alarm.ReturnedUnacked, Priority: alarm.Medium, Since: now.Add(-time.Hour), Ended: ptr(now)},
	}
	var out bytes.Buffer
	require.NoError(t, report.Alarms(&out, 80, site(t), rows))
	golden(t, "alarms", out.String())
}

func TestEveryVerdictAndTypeHasWords(t *testing.T) {
	for _, v := range []forecast.Verdict{forecast.AsPlanned, forecast.Under, forecast.Over, forecast.NotDispensing, forecast.NotObservable, forecast.TooEarly} {
		require.NotContains(t, report.VerdictWords(v), "_")
	}
	for _, d := range alarm.Definitions() {
		require.Equal(t, d.Title, report.TypeWords(d.Type))
	}
}
