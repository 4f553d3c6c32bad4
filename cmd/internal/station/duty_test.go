package station

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

func TestPlansForBacktests(t *testing.T) {
	site := &config.Site{Points: []config.Point{
		{ID: "belt-head", Machine: "belt", Plan: config.Plan{HoursPerWeek: 60, PulsesPer100h: 50}},
		{ID: "belt-tail", Machine: "belt", Plan: config.Plan{HoursPerWeek: 60, PulsesPerDay: 4}},
		{ID: "belt-idler", Machine: "belt"},
		{ID: "fan-drive", Machine: "fan", Plan: config.Plan{HoursPerWeek: 60}},
		{ID: "fan-end", Machine: "fan", Plan: config.Plan{HoursPerWeek: 120}},
	}}
	require.Equal(t, &duty.Plan{PerWeek: 60}, plannedHours(site, "belt"))
	require.Nil(t, plannedHours(site, "fan"), "two plans are none")
	require.Nil(t, plannedHours(site, "gate"))
	require.Equal(t, &duty.Plan{PerWeek: 30}, plannedPulses(&site.Points[0]))
	require.Equal(t, &duty.Plan{PerWeek: 28}, plannedPulses(&site.Points[1]))
	require.Nil(t, plannedPulses(&site.Points[2]))
}

// The harvest of the example site is in the duties of its machines and of the
// pulses that they pace, not in those planned per day.
func TestDutiesKnowTheWorkPatterns(t *testing.T) {
	site, err := config.Load("../../../deploy/example-site.yaml")
	require.NoError(t, err)
	day, err := civil.Parse("2027-08-02")
	require.NoError(t, err)
	seen := map[float32]bool{}
	for _, d := range duties(site, day.Start(site.Location())) {
		want := float32(1.6)
		if d.steady {
			want = 0
		}
		seen[want] = true
		require.Equal(t, want, d.scale(site, day), d.device)
		require.Zero(t, d.scale(site, day-2), d.device)
	}
	require.Len(t, seen, 2, "both kinds are there")
}
