package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// gauge fills a past with a machine that runs 20 h a day (0.5 cm3 commanded) and
// a level each evening, on a scale with noise; factor is delivered / commanded.
func gauge(t testing.TB, s *config.Site, seed uint64, stepCM3, noise float64, factor func(d civil.Date) float64) *memory.Past {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left := 125.0
	for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 20)
		left -= 0.5 * factor(d)
		level := left + noise*r.NormFloat64()
		if stepCM3 > 0 {
			level = math.Round(level/stepCM3) * stepCM3
		}
		past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, level)
	}
	return past.Seal()
}

func gauged(t testing.TB, step, noise float64, evidence config.Evidence) *config.Site {
	s := plant(t, "UTC")
	s.Dispensers[0].Channels = []config.ChannelInfo{{Kind: "level", Evidence: evidence, StepCM3: step, SDCM3: noise}}
	require.NoError(t, s.Reindex())
	return s
}

func always(v float64) func(civil.Date) float64 { return func(civil.Date) float64 { return v } }

func TestVerdictAsPlanned(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	got := one(t, s, gauge(t, s, 1, 1.25, 0.6, always(1)), at(t, "2026-04-01T00:00:00Z"))
	require.Equal(t, forecast.AsPlanned, got.Delivery.Verdict, got.Delivery.Why)
	require.Equal(t, config.EvidenceMeasured, got.Delivery.Evidence)
	require.InDelta(t, 1, *got.Delivery.Ratio, 4**got.Delivery.RatioSD)
	require.InDelta(t, 1, *got.Row.DeliveryFactor, 0.06)
	// What is left agrees with the scale within what one reading is good to.
	require.InDelta(t, 125-90*0.5, *got.Row.RemainingCM3, math.Sqrt(1.25*1.25/12+0.36))
	require.InDelta(t, *got.Delivery.CommandedCM3**got.Delivery.Ratio, *got.Delivery.DeliveredCM3, 1e-9)
	require.InDelta(t, 1, *got.Delivery.PlanRatio, 0.2)
}

func TestVerdictTooEarly(t *testing.T) {
	s := gauged(t, 12.5, 0.6, config.EvidenceMeasured)
	got := one(t, s, gauge(t, s, 1, 12.5, 0.6, always(1)), at(t, "2026-01-20T00:00:00Z"))
	require.Equal(t, forecast.TooEarly, got.Delivery.Verdict)
	require.NotEmpty(t, got.Delivery.Why)
}

func TestVerdictBlocked(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	past := gauge(t, s, 2, 1.25, 0.6, func(d civil.Date) float64 {
		if d >= date(t, "2026-03-01") {
			return 0
		}
		return 1
	})
	got := one(t, s, past, at(t, "2026-03-22T00:00:00Z"))
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Delivery.Why, "blocked line")
	require.Contains(t, got.Delivery.Why, "stuck level sensor")
	require.Contains(t, got.Row.Withheld, "not dispensing")
	require.Nil(t, got.Row.EmptyP50)
	require.NotNil(t, got.Row.RemainingCM3, "what is left is still shown")
	require.InDelta(t, 125-59*0.5, *got.Row.RemainingCM3, 2)
}

// Between the first doubt and the certain blockage the factor may be anything
// from nothing up: no date may come of it.
func TestNoDateFromAFactorThatMayBeNothing(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	blocked := date(t, "2026-03-01")
	held := 0
	for seed := uint64(1); seed <= 10; seed++ {
		past := gauge(t, s, seed, 1.25, 0.6, func(d civil.Date) float64 {
			if d >= blocked {
				return 0
			}
			return 1
		})
		for d := blocked; d < blocked+30; d++ {
			got := one(t, s, past, d.End(s.Location()))
			if got.Delivery.Verdict != forecast.Under {
				continue
			}
			if *got.Row.DeliveryFactor < 2**got.Row.DeliveryFactorSD {
				held++
				require.Contains(t, got.Row.Withheld, "little or nothing", "seed %d, %s", seed, d)
				require.Nil(t, got.Row.EmptyP10)
			} else {
				require.Empty(t, got.Row.Withheld)
			}
		}
	}
	require.Positive(t, held, "the case has to occur for the test to mean anything")
}

func TestVerdictHalfBlockedForecastsLater(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	fault := date(t, "2026-02-01")
	half := gauge(t, s, 3, 1.25, 0.6, func(d civil.Date) float64 {
		if d >= fault {
			return 0.5
		}
		return 1
	})
	now := at(t, "2026-03-15T00:00:00Z")
	got := one(t, s, half, now)
	require.Equal(t, forecast.Under, got.Delivery.Verdict, got.Delivery.Why)
	require.InDelta(t, 0.5, *got.Delivery.Ratio, 0.12)
	require.InDelta(t, 0.5, *got.Row.DeliveryFactor, 0.12)
	sound := one(t, s, gauge(t, s, 3, 1.25, 0.6, always(1)), now)
	require.Greater(t, *got.Row.EmptyP50, *sound.Row.EmptyP50)
	require.Empty(t, got.Row.Withheld)
}

func TestVerdictOverAndLeak(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	over := gauge(t, s, 4, 1.25, 0.3, func(d civil.Date) float64 {
		if d >= date(t, "2026-02-01") {
			return 1.5
		}
		return 1
	})
	got := one(t, s, over, at(t, "2026-03-15T00:00:00Z"))
	require.Equal(t, forecast.Over, got.Delivery.Verdict, got.Delivery.Why)

	burst := date(t, "2026-03-10")
	leak := gauge(t, s, 4, 1.25, 0.3, func(d civil.Date) float64 {
		if d == burst {
			return 16 // 8 cm3 in a day: six steps, 16 times the command
		}
		return 1
	})
	got = one(t, s, leak, burst.End(s.Location()))
	require.Equal(t, forecast.Over, got.Delivery.Verdict)
	require.Contains(t, got.Delivery.Why, "possible leak")
	require.True(t, got.PossibleLeak)
	require.False(t, one(t, s, leak, burst.Start(s.Location())).PossibleLeak)
}

// A declared counted level agrees with the command by construction: it must
// never make delivery look healthy, nor move what is left.
func TestVerdictCountedLevelIsNoProof(t *testing.T) {
	s := gauged(t, 1.25, 0.1, config.EvidenceCounted)
	now := at(t, "2026-03-15T00:00:00Z")
	got := one(t, s, gauge(t, s, 5, 1.25, 0.1, always(1)), now)
	require.Equal(t, forecast.NotObservable, got.Delivery.Verdict)
	require.Equal(t, config.EvidenceCounted, got.Row.Evidence)
	require.InDelta(t, 125-73*0.5, *got.Row.RemainingCM3, 1e-9)
	require.InDelta(t, 0.05, *got.Row.DeliveryFactorSD, 0.01, "assumed: no measured point to learn from")
	require.Nil(t, got.Delivery.Ratio)
	require.NotNil(t, got.Counted)
	require.False(t, got.Counted.SettingSuspect)

	// A display that fell behind checks the command.
	got = one(t, s, gauge(t, s, 5, 1.25, 0.1, always(0.6)), now)
	require.Equal(t, forecast.NotObservable, got.Delivery.Verdict)
	require.InDelta(t, 125-73*0.5, *got.Row.RemainingCM3, 1e-9)
	require.True(t, got.Counted.SettingSuspect)
	require.Contains(t, got.Counted.Why, "display")
}

func TestVerdictByMeasuredDose(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers[0].Channels = []config.ChannelInfo{{Kind: "dose", Evidence: config.EvidenceMeasured}}
	require.NoError(t, s.Reindex())
	for _, c := range []struct {
		factor float64
		want   forecast.Verdict
	}{{1, forecast.AsPlanned}, {0.6, forecast.Under}, {1.4, forecast.Over}, {0, forecast.NotDispensing}} {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
			past.AddDay("elev1", reading.Run, d, 20)
			past.AddDay("d1", reading.Dose, d, 0.5*c.factor)
		}
		got := one(t, s, past.Seal(), at(t, "2026-03-02T00:00:00Z"))
		require.Equal(t, c.want, got.Delivery.Verdict, "factor %g: %s", c.factor, got.Delivery.Why)
		require.InDelta(t, c.factor, *got.Delivery.Ratio, 1e-9)
		require.InDelta(t, 125-60*0.5*c.factor, *got.Row.RemainingCM3, 0.3)
	}
}

// Counted strokes against setting x duty: a device set to twice the register's
// setting counts twice the strokes.
func TestCountedStrokesShowWrongSetting(t *testing.T) {
	s := plant(t, "UTC")
	for _, times := range []float64{1, 2} {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
			past.AddDay("elev1", reading.Run, d, 20)
			past.AddDay("d1", reading.Dose, d, 0.5*times)
		}
		got := one(t, s, past.Seal(), at(t, "2026-03-02T00:00:00Z"))
		require.Equal(t, forecast.NotObservable, got.Delivery.Verdict)
		require.Equal(t, config.EvidenceCounted, got.Row.Evidence)
		require.NotNil(t, got.Counted)
		require.Equal(t, times == 2, got.Counted.SettingSuspect, got.Counted.Why)
		// One stroke of 0.25 cm3 at 2.5 cm3 per 100 h: every 10 h.
		require.InDelta(t, 10, *got.DoseIntervalHours, 1e-9)
		require.InDelta(t, 0, *got.RunHoursSinceDose, 1e-9)
	}
}

// Doses stop while the machine runs and the device still reports.
func TestRunHoursSinceDose(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 24)
		amount := 0.6
		if d >= date(t, "2026-02-01") {
			amount = 0
		}
		past.AddDay("d1", reading.Dose, d, amount)
	}
	past.Seal()
	got := one(t, s, past, at(t, "2026-02-04T12:00:00Z"))
	// The device was heard until the end of 3 February: three days of 24 h.
	require.InDelta(t, 72, *got.RunHoursSinceDose, 1)
	require.InDelta(t, 0, *one(t, s, past, at(t, "2026-02-01T00:00:00Z")).RunHoursSinceDose, 1)
}

// Somebody weighs now and then: what is left follows the weighing.
func TestWeighing(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-31"), 20)
	grams := 90.0 // 100 cm3 at 0.9 g/cm3, where 95 are expected
	past.AddFact(reading.Fact{ID: "w", Kind: reading.FactWeighing, Point: "elev1-head", At: at(t, "2026-03-02T00:00:00Z"), Grams: &grams, By: "technician 2"})
	past.Seal()
	got := one(t, s, past, at(t, "2026-03-02T00:00:01Z"))
	require.Equal(t, config.EvidenceMeasured, got.Row.Evidence)
	require.InDelta(t, 100, *got.Row.RemainingCM3, 1.3)
	require.Less(t, *got.Row.DeliveryFactor, 1.0)
	require.InDelta(t, 25.0/30, *got.Delivery.Ratio, 1e-6)
	require.Equal(t, forecast.TooEarly, got.Delivery.Verdict, "one weighing of a small difference proves little")
	before := one(t, s, past, at(t, "2026-03-01T00:00:00Z"))
	require.Equal(t, config.EvidenceNone, before.Row.Evidence)
	require.InDelta(t, 125-59*0.5, *before.Row.RemainingCM3, 1e-9)
}

// A scale that cannot show more than full, over a generous fill, stands still at
// first: that is no blocked line. One that never leaves full is.
func TestVerdictScaleAtItsTop(t *testing.T) {
	s := gauged(t, 5, 0.5, config.EvidenceMeasured)
	for _, blocked := range []bool{false, true} {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		left := 125 + 2.5*2 // two sd more than nominal
		for i := range 90 {
			d := date(t, "2026-01-01") + civil.Date(i)
			past.AddDay("elev1", reading.Run, d, 20)
			if !blocked {
				left -= 0.5
			}
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelPercent, math.Min(100, math.Round(left/5)*4))
		}
		past.Seal()
		found := 0
		for i := 5; i < 90; i++ {
			v := one(t, s, past, (date(t, "2026-01-01") + civil.Date(i)).Start(s.Location())).Delivery.Verdict
			if found == 0 && (v == forecast.Under || v == forecast.NotDispensing) {
				found = i
			}
		}
		if !blocked {
			require.Zero(t, found)
			continue
		}
		require.NotZero(t, found)
		require.Less(t, found, 60)
	}
}

// An empty reservoir keeps on showing nothing: it is empty, not blocked.
func TestVerdictEmptyIsNotBlocked(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	s.Dispensers[0].Settings[0].CM3Per100h = 10
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left := 125.0
	for i := range 110 {
		d := date(t, "2026-01-01") + civil.Date(i)
		past.AddDay("elev1", reading.Run, d, 20)
		left = math.Max(0, left-2)
		past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, math.Round(left/1.25)*1.25)
	}
	got := one(t, s, past.Seal(), at(t, "2026-04-15T00:00:00Z")) // empty since early March
	require.NotEqual(t, forecast.NotDispensing, got.Delivery.Verdict)
	require.NotEqual(t, forecast.Under, got.Delivery.Verdict)
	require.Equal(t, date(t, "2026-04-15"), *got.Row.EmptyP50)
	require.Equal(t, 0.0, *got.Row.RemainingCM3)
}
