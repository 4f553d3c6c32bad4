package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// sensor fills a past with a change on 1 January, 20 h (0.5 cm3 commanded) a day
// but on Sundays, and a level each evening: what shown makes of what is left.
func sensor(t testing.TB, s *config.Site, seed uint64, factor func(d civil.Date) float64, shown func(d civil.Date, left, noise float64) float64) *memory.Past {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 7))
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left := 125.0
	for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
		hours := 20.0
		if d.Weekday() == 0 {
			hours = 0
		}
		past.AddDay("elev1", reading.Run, d, hours)
		left -= 0.025 * hours * factor(d)
		past.AddLevel("d1", d.End(s.Location()).Add(-1), reading.LevelCM3, shown(d, left, r.NormFloat64()))
	}
	return past
}

func steps(step, noise float64) func(civil.Date, float64, float64) float64 {
	return func(_ civil.Date, left, e float64) float64 { return math.Round((left+noise*e)/step) * step }
}

func from(t testing.TB, day string, before, after float64) func(civil.Date) float64 {
	at := date(t, day)
	return func(d civil.Date) float64 {
		if d >= at {
			return after
		}
		return before
	}
}

// A sensor that used to scatter and repeats one value is stuck; one that goes on
// to scatter around one value is alive; and a fine-stepped quiet one says neither.
func TestWordsForALevelThatStandsStill(t *testing.T) {
	now := at(t, "2026-04-10T00:00:00Z")
	blocked := from(t, "2026-03-01", 1, 0)
	fine := gauged(t, 0.5, 0.5, config.EvidenceMeasured)

	got := one(t, fine, sensor(t, fine, 1, blocked, steps(0.5, 0.5)).Seal(), now)
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Delivery.Why, "still scatters")
	require.Contains(t, got.Delivery.Why, "blocked line or stopped drive")

	// The level goes on to fall, but the sensor has stopped.
	hung, day := math.NaN(), date(t, "2026-03-01")
	shown := func(d civil.Date, left, e float64) float64 {
		if v := steps(0.5, 0.5)(d, left, e); d < day {
			hung = v
		}
		return hung
	}
	got = one(t, fine, sensor(t, fine, 1, always(1), shown).Seal(), now)
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Delivery.Why, "stuck level sensor, rather than a blocked line")
	require.Contains(t, got.Delivery.Why, "cannot be seen")

	coarse := gauged(t, 5, 0.3, config.EvidenceMeasured)
	got = one(t, coarse, sensor(t, coarse, 1, blocked, steps(5, 0.3)).Seal(), now)
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Delivery.Why, "look alike")
}

// A level that does not rise at a reported change is no level.
func TestWordsForASensorThatMissesTheChange(t *testing.T) {
	s := gauged(t, 5, 0.3, config.EvidenceMeasured)
	hung := math.NaN()
	past := sensor(t, s, 1, always(1), func(d civil.Date, left, e float64) float64 {
		if d < date(t, "2026-02-10") {
			hung = steps(5, 0.3)(d, left, e)
		}
		return hung
	})
	past.AddFact(change(at(t, "2026-02-20T00:00:00Z"), 125))
	got := one(t, s, past.Seal(), at(t, "2026-05-20T00:00:00Z"))
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict)
	require.Contains(t, got.Delivery.Why, "did not rise at the change")
}

// A fall on days without command is a leak; too much in step with the command
// is not told apart from a wrong setting, which is named if the model has it.
func TestWordsForTooMuch(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	s.Models[0].RunStepsCM3Per100h = []float64{1.25, 2.5, 4, 8}
	require.NoError(t, s.Reindex())
	now := at(t, "2026-04-10T00:00:00Z")
	got := one(t, s, sensor(t, s, 1, from(t, "2026-03-01", 1, 1.6), steps(1.25, 0.3)).Seal(), now)
	require.Equal(t, forecast.Over, got.Delivery.Verdict)
	require.Contains(t, got.Delivery.Why, "wrong setting, leak")
	require.Contains(t, got.Delivery.Why, "as if it were set to 4 instead of 2.5 cm3 per 100 h")

	// 0.5 cm3 a day drip away, the machine stands still from 20 March on.
	s = gauged(t, 0.5, 0.3, config.EvidenceMeasured)
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left, r := 125.0, rand.New(rand.NewPCG(3, 3))
	for d := date(t, "2026-01-01"); d <= date(t, "2026-04-30"); d++ {
		hours := 20.0
		if d >= date(t, "2026-03-20") {
			hours = 0
		}
		past.AddDay("elev1", reading.Run, d, hours)
		left -= 0.025 * hours
		if d >= date(t, "2026-03-01") {
			left -= 0.5
		}
		past.AddLevel("d1", d.End(s.Location()).Add(-1), reading.LevelCM3, math.Round((left+0.3*r.NormFloat64())/0.5)*0.5)
	}
	got = one(t, s, past.Seal(), now)
	require.Equal(t, forecast.Over, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Delivery.Why, "leak, since the level also fell by")
}

// Counted strokes clear the setting, or accuse it; they do not change a verdict
// that a measured level gives.
func TestWordsWithCountedStrokes(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	now := at(t, "2026-04-10T00:00:00Z")
	for _, c := range []struct {
		strokes float64
		want    string
	}{{1, "hardly the setting"}, {0.5, "another setting or missed pulses"}} {
		past := sensor(t, s, 1, from(t, "2026-03-01", 1, 0.5), steps(1.25, 0.3))
		for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
			amount := 0.5
			if d.Weekday() == 0 {
				amount = 0
			}
			if d >= date(t, "2026-03-01") {
				amount *= c.strokes
			}
			past.AddDay("d1", reading.Dose, d, amount)
		}
		got := one(t, s, past.Seal(), now)
		require.Equal(t, forecast.Under, got.Delivery.Verdict, got.Delivery.Why)
		require.Contains(t, got.Delivery.Why, c.want)
	}
}

// Doses that are measured go out although the level stands still: the level
// sensor is at fault, not the line.
func TestWordsWhereDosesContradictTheLevel(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	s.Dispensers[0].Channels = append(s.Dispensers[0].Channels, config.ChannelInfo{Kind: "dose", Evidence: config.EvidenceMeasured})
	require.NoError(t, s.Reindex())
	now := at(t, "2026-04-10T00:00:00Z")
	for _, c := range []struct {
		level, dose float64
		verdict     forecast.Verdict
		want        string
	}{
		{0, 1, forecast.AsPlanned, "the level sensor is stuck"},
		{1, 0, forecast.NotDispensing, "rather the dose sensor has failed"},
	} {
		past := sensor(t, s, 1, from(t, "2026-03-01", 1, c.level), steps(1.25, 0.3))
		for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
			amount := 0.5
			if d.Weekday() == 0 {
				amount = 0
			}
			if d >= date(t, "2026-03-01") {
				amount *= c.dose
			}
			past.AddDay("d1", reading.Dose, d, amount)
		}
		got := one(t, s, past.Seal(), now)
		require.Equal(t, c.verdict, got.Delivery.Verdict, got.Delivery.Why)
		require.Contains(t, got.Delivery.Why, c.want)
	}
}

// A dose channel shows each day what went out: a fault in the midst of a fill
// shows within days, not when it has outweighed the window.
func TestMeasuredDosesShowAFaultSoon(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers[0].Channels = []config.ChannelInfo{{Kind: "dose", Evidence: config.EvidenceMeasured}}
	require.NoError(t, s.Reindex())
	fault := date(t, "2026-03-01")
	for _, c := range []struct {
		factor float64
		within civil.Date
		want   []forecast.Verdict
	}{
		{0, 6, []forecast.Verdict{forecast.NotDispensing, forecast.Under}},
		{0.5, 8, []forecast.Verdict{forecast.Under}}, {0.7, 14, []forecast.Verdict{forecast.Under}},
		{1.3, 14, []forecast.Verdict{forecast.Over}}, {1, 0, nil},
	} {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		r := rand.New(rand.NewPCG(5, 5))
		owed := 0.0
		for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
			past.AddDay("elev1", reading.Run, d, 20)
			owed += 0.5
			n := math.Floor(owed/0.25 + 1e-9)
			owed -= n * 0.25
			f := 1.0
			if d >= fault {
				f = c.factor
			}
			past.AddDay("d1", reading.Dose, d, n*0.25*f*(1+0.1*r.NormFloat64()/math.Sqrt(max(n, 1))))
		}
		past.Seal()
		found := civil.Date(0)
		for d := date(t, "2026-01-10"); d < fault+40; d++ {
			v := one(t, s, past, d.End(s.Location())).Delivery.Verdict
			bad := v == forecast.Under || v == forecast.Over || v == forecast.NotDispensing
			if d < fault || c.want == nil {
				require.False(t, bad, "factor %g, %s", c.factor, d)
			} else if bad && found == 0 {
				found = d - fault + 1
				require.Contains(t, c.want, v)
			}
		}
		if c.want != nil {
			require.NotZero(t, found, "factor %g", c.factor)
			require.LessOrEqual(t, found, c.within, "factor %g", c.factor)
		}
	}
}
