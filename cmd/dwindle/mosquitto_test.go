package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/brokertest"
	"dwindle/forecast"
)

// pub publishes one message as a person at a shell would.
func pub(t *testing.T, addr, topic, payload string) {
	t.Helper()
	host, port, _ := strings.Cut(addr, ":")
	tool, err := exec.LookPath("mosquitto_pub")
	if err != nil {
		missing := "mosquitto_pub is not here; apt-get install mosquitto-clients"
		if os.Getenv("CI") == "true" {
			require.FailNow(t, missing)
		}
		t.Skip(missing)
	}
	out, err := exec.Command(tool, "-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// TestEveryKindFromAShellToTheResults sends one of each native kind with the
// broker's own client and looks for it where people look.
func TestEveryKindFromAShellToTheResults(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	file := quay(t, 2, "  broker: {url: \"tcp://"+broker.Addr+"\"}\n")
	s := serve(t, file)
	s.waitSubscribed(broker.Addr)

	// Forty days: be-01 runs 12 h a day, its run-paced dispenser at 2 cm3 per
	// 100 h; be-02's pulse-paced one gets 3 pulses of 0.1 cm3 a day.
	const days = 40
	now := time.Now().UTC().Truncate(time.Hour)
	start := now.Add(-days * 24 * time.Hour)
	at := func(day float64) string {
		return start.Add(time.Duration(day * float64(24*time.Hour))).Format(time.RFC3339)
	}
	topic := func(device, kind string) string { return "lube/v1/quay/" + device + "/" + kind }
	for _, d := range []string{"d-01", "d-02"} {
		pub(t, broker.Addr, topic(d, "change"), fmt.Sprintf(`{"at":%q,"volume_cm3":120,"id":"first-%s","item":"R 125"}`, at(0), d))
	}
	for day := 0; day <= days; day++ {
		f := float64(day)
		pub(t, broker.Addr, topic("be-01", "run"), fmt.Sprintf(`{"at":%q,"hours":%d}`, at(f), 1000+12*day))
		pub(t, broker.Addr, topic("d-02", "pulse"), fmt.Sprintf(`{"at":%q,"count":%d}`, at(f), 500+3*day))
		pub(t, broker.Addr, topic("d-01", "level"), fmt.Sprintf(`{"at":%q,"percent":%.1f}`, at(f), 100*(120-0.24*f)/120))
	}
	pub(t, broker.Addr, topic("d-01", "dose"), fmt.Sprintf(`{"at":%q,"strokes":96}`, at(days)))
	pub(t, broker.Addr, topic("d-01", "status"), fmt.Sprintf(`{"at":%q,"temperature_c":11.5,"setting":{"pacing":"run","cm3_per_100h":2},"serial":"S001"}`, at(days)))
	pub(t, broker.Addr, topic("d-01", "level"), `{"percent": seventy}`) // the poison
	pub(t, broker.Addr, topic("d-01", "status"), fmt.Sprintf(`{"at":%q,"online":true}`, at(days)))
	s.waitStored(func() int { return 3*(days+1) + 3 })

	var result struct{ Forecasts []forecast.Row }
	require.NoError(t, json.Unmarshal([]byte(must(t, "forecast", "-c", file, "--json")), &result))
	require.Len(t, result.Forecasts, 2)
	// By hand: 480 h x 2/100 = 9.6 cm3 gone of 120, as the level says; 120
	// pulses x 0.1 = 12 cm3 gone. 12 h a day empty 110.4 cm3 in 460 days.
	run, pulse := result.Forecasts[0], result.Forecasts[1]
	require.Empty(t, run.Withheld)
	require.Empty(t, pulse.Withheld)
	require.InDelta(t, 110.4, *run.RemainingCM3, 1.5)
	require.InDelta(t, 108, *pulse.RemainingCM3, 0.5)
	require.InDelta(t, 12, *run.DutyPerDay, 0.3)
	require.InDelta(t, 3, *pulse.DutyPerDay, 0.1)
	require.EqualValues(t, 1080, *pulse.CountLeft)
	require.NotNil(t, run.EmptyP50)
	require.InDelta(t, 460, int(*run.EmptyP50-s.site.Today(now)), 30)

	var deliveries []forecast.Delivery
	require.NoError(t, json.Unmarshal([]byte(must(t, "delivery", "-c", file, "--json")), &deliveries))
	require.Len(t, deliveries, 2)
	window := deliveries[0].To.Sub(deliveries[0].From).Hours() / 24 // longer than 28 days where the level is coarse
	require.GreaterOrEqual(t, window, 27.0)
	require.InDelta(t, 0.24*window, *deliveries[0].CommandedCM3, 0.5)
	require.Equal(t, forecast.NotObservable, deliveries[1].Verdict, "a count proves no delivery")

	rows, err := csv.NewReader(strings.NewReader(must(t, "export", "-c", file, "readings"))).ReadAll()
	require.NoError(t, err)
	seen := map[string]int{}
	for _, r := range rows[1:] {
		seen[r[0]+" "+r[1]]++
	}
	for what, n := range map[string]int{
		"be-01 run.hours": days + 1, "d-02 pulse.count": days + 1, "d-01 level.percent": days + 1,
		"d-01 dose.strokes": 1, "d-01 status.temperature_c": 1, "d-01 status.online": 1,
	} {
		require.Equal(t, n, seen[what], "%s in %v", what, seen)
	}
	changes := must(t, "export", "-c", file, "changes")
	require.Contains(t, changes, "first-d-01")

	kept := s.kept()
	require.Len(t, kept, 1)
	require.Equal(t, `{"percent": seventy}`, string(kept[0].Payload))
	require.NotEmpty(t, kept[0].Reason)
	require.NotEmpty(t, kept[0].Detail)
	s.stop()
}
