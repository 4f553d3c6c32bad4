package score

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config/civil"
	"dwindle/forecast/calibration"
	"dwindle/forecast/duty"
)

var learnBuiltin = flag.Bool("learn", false, "learn forecast/calibration/builtin.json anew")

const builtinPath = "../calibration/builtin.json"

// trainingFleet is what the table that comes with the program was learned on:
// simulated use of every kind but round the clock, with a seed that no report
// uses, and for that the airports at odd places of the open data.
func trainingFleet(t testing.TB, perScenario int) []Series {
	var out []Series
	for _, s := range Scenarios() {
		if s == RoundTheClock {
			continue // real use round the clock is not as even
		}
		for i := range perScenario {
			out = append(out, s.Simulate(951, i))
		}
	}
	airports, err := ReadFile("../../testdata/airport-departures-2001.csv.gz")
	require.NoError(t, err)
	for i := range airports {
		if i%2 == 1 {
			out = append(out, airports[i])
		}
	}
	return out
}

// Learned anew on a part of the training fleet, the table says the same. With
// -learn the whole fleet is gone through and the table written.
func TestTheBuiltinTableIsLearnedOnTheTrainingFleet(t *testing.T) {
	perScenario := 20
	if *learnBuiltin {
		perScenario = 150
	}
	r, err := calibration.Run(context.Background(), trainingFleet(t, perScenario), calibration.Options{HalfLife: math.Inf(1), KeepLean: true})
	require.NoError(t, err)
	learned := r.Learn(civil.New(2026, 11, 25), &calibration.Table{})
	// Neither a bias of these series says anything of others, nor their stops.
	learned.Fleet.Stops = [duty.Classes]duty.StopPrior{}
	for kind := range learned.Levels {
		for h := range learned.Levels[kind] {
			learned.Levels[kind][h].Mid = 0.5
		}
	}
	if *learnBuiltin {
		learned.Version = "built-in-1"
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetIndent("", " ")
		require.NoError(t, e.Encode(learned))
		require.NoError(t, os.WriteFile(builtinPath, b.Bytes(), 0o644))
		return
	}
	builtin, compared := calibration.Builtin(), 0
	for kind := range learned.Levels {
		for h, c := range learned.Levels[kind] {
			if was := builtin.Levels[kind][h]; c.Cases > 500 {
				compared++
				require.InDelta(t, was.Low, c.Low, 0.04, "%s, horizon %d", calibration.KindName(kind), h)
				require.InDelta(t, was.High, c.High, 0.04, "%s, horizon %d", calibration.KindName(kind), h)
			}
		}
	}
	require.GreaterOrEqual(t, compared, 4)
}
