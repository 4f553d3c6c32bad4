package main

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// quaySite has two areas with a machine, a point, a dispenser and a gateway each.
func quaySite(t *testing.T, zone string) *config.Site {
	t.Helper()
	s := &config.Site{
		ID: "quay", Zone: zone, Areas: []config.Area{{ID: "quay"}, {ID: "tower"}},
		Machines:   []config.Machine{{ID: "belt", Area: "quay"}, {ID: "elev", Area: "tower"}},
		Points:     []config.Point{{ID: "belt-head", Machine: "belt"}, {ID: "elev-head", Machine: "elev"}, {ID: "elev-boot", Machine: "elev"}},
		Dispensers: []config.Dispenser{{ID: "d1", Point: "belt-head"}, {ID: "d2", Point: "elev-head"}, {ID: "d3"}},
		Gateways:   []config.Gateway{{ID: "gw-q", Area: "quay"}, {ID: "gw-t", Area: "tower"}},
	}
	require.NoError(t, s.Reindex())
	return s
}

func TestSelections(t *testing.T) {
	s := quaySite(t, "UTC")
	past := memory.New(s.Location())
	swap := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "belt-head", OldDevice: "d1", Device: "d3", At: swap})
	places, err := forecast.NewPlaces(context.Background(), s, past.Seal(), swap.AddDate(0, 1, 0))
	require.NoError(t, err)
	from, to := swap.AddDate(0, 0, -3), swap.AddDate(0, 0, 3)
	for name, c := range map[string]struct {
		selection
		want []stretch
	}{
		"nothing":  {selection{}, []stretch{{"belt", from, to}, {"d1", from, swap}, {"d2", from, to}, {"d3", swap, to}, {"elev", from, to}, {"gw-q", from, to}, {"gw-t", from, to}}},
		"a point":  {selection{Point: []string{"belt-head"}}, []stretch{{"d1", from, swap}, {"d3", swap, to}}},
		"machine":  {selection{Machine: []string{"elev"}}, []stretch{{"d2", from, to}, {"elev", from, to}}},
		"area":     {selection{Area: []string{"quay"}}, []stretch{{"belt", from, to}, {"d1", from, swap}, {"d3", swap, to}, {"gw-q", from, to}}},
		"both":     {selection{Area: []string{"tower"}, Point: []string{"elev-head", "belt-head"}}, []stretch{{"d2", from, to}}},
		"no mount": {selection{Point: []string{"elev-boot"}}, nil},
	} {
		chosen, err := c.in(s, "readings")
		require.NoError(t, err, name)
		require.Equal(t, c.want, chosen.stretches(places, from, to), name)
	}
	chosen, err := selection{Area: []string{"tower"}, Point: []string{"elev-head", "belt-head"}}.in(s, "usage")
	require.NoError(t, err)
	require.Equal(t, "--point belt-head --point elev-head --area tower", chosen.String())
	chosen, err = selection{Point: []string{"belt-head"}}.in(s, "changes")
	require.NoError(t, err)
	require.True(t, chosen.fact(places, reading.Fact{Device: "d1", At: swap.Add(-time.Hour)}))
	require.False(t, chosen.fact(places, reading.Fact{Device: "d1", At: swap}), "taken off")
	require.True(t, chosen.fact(places, reading.Fact{Point: "belt-head"}))
	require.False(t, chosen.fact(places, reading.Fact{Device: "belt", At: swap}), "the machine is not the point")
	require.False(t, chosen.fact(places, reading.Fact{Device: "gw-q", At: swap}))
}

// A civil day of the site, whatever its clocks do: on 29 March 2026 the one in
// Berlin has 23 hours, and on 25 October 25.
func TestWindowsAreCivil(t *testing.T) {
	at := time.Date(2026, 11, 25, 12, 0, 0, 123_456_789, time.UTC)
	window := func(from, to moment) (exporter, error) {
		x := exporter{env: &env{now: func() time.Time { return at }}, site: quaySite(t, "Europe/Berlin"), at: at}
		err := x.window(from, to)
		return x, err
	}
	x, err := window("2026-03-29", "2026-03-29")
	require.NoError(t, err)
	require.Equal(t, 23*time.Hour, x.to.Sub(x.from))
	require.Equal(t, civil.New(2026, 3, 29), x.first)
	require.Equal(t, x.first, x.last)
	x, err = window("2026-10-25", "2026-10-25")
	require.NoError(t, err)
	require.Equal(t, 25*time.Hour, x.to.Sub(x.from))
	next, err := window("2026-10-26", "")
	require.NoError(t, err)
	require.True(t, next.from.Equal(x.to), "windows that meet have nothing in common and leave nothing out")
	require.True(t, next.holds(at), "now has happened")
	require.False(t, next.holds(at.Add(2*time.Millisecond)))
	x, err = window("2026-11-01T08:00", "2026-11-24T00:00")
	require.NoError(t, err)
	require.Equal(t, civil.New(2026, 11, 23), x.last, "midnight ends the day before")
	x, err = window("", "2027-01-01")
	require.NoError(t, err)
	require.True(t, x.from.IsZero())
	require.Equal(t, civil.New(2026, 11, 25), x.last, "nothing is later than now")
	for _, bad := range [][2]moment{{"2026-11-26", ""}, {"2026-11-02", "2026-11-01"}, {"2026-11-31", ""}, {"", "soon"}} {
		_, err := window(bad[0], bad[1])
		var usage *usageError
		require.ErrorAs(t, err, &usage, bad)
	}
}
