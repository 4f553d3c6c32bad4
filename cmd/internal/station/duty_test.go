package station

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
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
