package demo

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/simulate"
)

// bound is what may not get worse for one kind of fault at one level step.
type bound struct{ found, median, late float64 } // share; days; days for 9 of 10

// bounds are about a fifth (at least half a day) above what seeds 1 to 20 gave
// on 25 November 2026, by make faults: everything that can be seen was found.
// Index 0 is for 2 % steps, 1 for 10 %. Missed pulses show in the comparison
// at the end of the history, so their days say how long they lasted.
var bounds = map[simulate.FaultKind][2]bound{
	simulate.DispenserSilent: {{0.95, 1.5, 2}, {0.95, 1.5, 2}},
	simulate.DeviceStopped:   {{0.95, 3, 4}, {0.95, 3, 4}},
	simulate.LeakingFitting:  {{0.95, 8, 14}, {0.9, 15, 31}},
	simulate.GatewaySilent:   {{0.95, 1, 1.6}, {0.95, 1, 1.6}},
	simulate.BlockedLine:     {{0.95, 8, 13}, {0.95, 14, 24}},
	simulate.PartialBlockage: {{0.95, 11, 20}, {0.9, 26, 36}},
	simulate.MachineBusier:   {{0.95, 11, 21}, {0.95, 11, 21}},
	simulate.MissedPulses:    {{0.95, 58, 66}, {0.95, 58, 66}},
	simulate.RunSignalLost:   {{0.95, 1.3, 1.6}, {0.95, 1.3, 1.6}},
	simulate.SettingFound:    {{0.95, 2, 2.5}, {0.95, 2, 2.5}},
	simulate.SettingHidden:   {{0.95, 9, 16}, {0.9, 29, 41}},
}

// falsePerPointYear bounds all false alarms; none came in 327 point-years of
// each step, so that a single one in so long would be 0.003.
const falsePerPointYear = 0.01

func holdToBounds(t *testing.T, tl tally) {
	t.Helper()
	at := 0
	if tl.step == levelSteps[1] {
		at = 1
	}
	for kind, b := range bounds {
		k := tl.kinds[kind]
		if k == nil || k.observable == 0 {
			continue
		}
		name := faultPhrases[kind]
		require.GreaterOrEqual(t, float64(len(k.days)), b[at].found*float64(k.observable), "%s, step %g %%: found", name, tl.step)
		median := b[at].median
		if k.observable < 10 {
			median = b[at].late // too few for a median that holds still
		} else {
			require.LessOrEqual(t, share(k.days, 0.9), b[at].late, "%s, step %g %%: days for 9 of 10", name, tl.step)
		}
		require.LessOrEqual(t, share(k.days, 0.5), median, "%s, step %g %%: median days", name, tl.step)
	}
	if k := tl.kinds[simulate.BlockedUnseen]; k != nil {
		require.Empty(t, k.days, "counted evidence never proves delivery")
	}
	_, rate := tl.falsePerPointYear()
	require.LessOrEqual(t, rate, falsePerPointYear, "step %g %%: false alarms per point-year", tl.step)
}
