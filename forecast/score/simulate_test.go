package score

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"dwindle/config"
	"dwindle/forecast/virtual"
)

func TestSimulatedSeriesAreReproducible(t *testing.T) {
	for _, s := range Scenarios() {
		require.Equal(t, s.Simulate(3, 4), s.Simulate(3, 4))
		require.NotEqual(t, s.Simulate(3, 4).Days, s.Simulate(4, 4).Days)
		require.NotEqual(t, s.Simulate(3, 4).Days, s.Simulate(3, 5).Days)
	}
}

func TestSimulatedSeriesAreWhatTheyClaim(t *testing.T) {
	for _, s := range Scenarios() {
		t.Run(s.String(), func(t *testing.T) {
			for i := range 60 {
				x := s.Simulate(11, i)
				require.GreaterOrEqual(t, x.Origin, 30)
				require.LessOrEqual(t, x.Origin, 400)
				require.Len(t, x.Days, x.Origin+futureDays)
				stops := 0
				for d, day := range x.Days {
					require.Equal(t, 1.0, day.Seen)
					require.GreaterOrEqual(t, day.Amount, 0.0)
					require.LessOrEqual(t, day.Amount, 24.0)
					if d%7 == 6 && s != RoundTheClock && s != Intermittent {
						require.Zero(t, day.Amount, "Sunday")
					}
					if day.Type == config.ShutdownType {
						stops++
						require.Zero(t, day.Amount)
						require.GreaterOrEqual(t, d, x.Origin+3)
					} else {
						require.Equal(t, config.DayType(d%7), day.Type)
					}
				}
				if s == PlannedShutdown {
					require.GreaterOrEqual(t, stops, 7)
					require.LessOrEqual(t, stops, 20)
				} else {
					require.Zero(t, stops)
				}
			}
		})
	}
}

func TestLognormalHasItsMeanAndSpread(t *testing.T) {
	x := make([]float64, 0, 400*100)
	for i := range 100 {
		for _, d := range RoundTheClock.Simulate(1, i).Days[:400] {
			x = append(x, d.Amount)
		}
	}
	mean, sd := stat.MeanStdDev(x, nil)
	require.InDelta(t, 20, mean, 0.05)
	require.InDelta(t, 0.08, sd/mean, 0.002, "1 % are cut at 24 h")
}

func TestOutagesStopForDays(t *testing.T) {
	var lost, work float64
	for i := range 200 {
		for _, d := range Outages.Simulate(2, i).Days {
			if d.Type <= config.Friday {
				work++
				if d.Amount == 0 {
					lost++
				}
			}
		}
	}
	// An outage starts on one of 50 running days and takes 1 + 2 + 4.52 days on
	// average (mean of the floor of an exponential with mean 5), 5.4 of them
	// working days: about 5.3/(50 + 5.3) of the working days are lost.
	require.InDelta(t, 0.10, lost/work, 0.02)
}

func TestLevelShiftsAreInTheLastMonths(t *testing.T) {
	changed := 0
	for i := range 200 {
		x := LevelShift.Simulate(4, i)
		before, after := virtual.MeanSeen(x.Days[:max(1, x.Origin-120)]), virtual.MeanSeen(x.Days[x.Origin:])
		if r := after / before; x.Origin > 180 && (r < 0.85 || r > 1.15) {
			changed++
		}
		if r := after / before; x.Origin > 180 {
			require.InDelta(t, 1.05, r, 0.75)
		}
	}
	require.Greater(t, changed, 40)
}
