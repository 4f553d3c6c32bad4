package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

func TestNothingToSay(t *testing.T) {
	p := newPlant(t, 3)
	for range 10 {
		require.Empty(t, p.look(day))
	}
	require.Empty(t, p.rows())
}

// soon makes a point that is likely empty before its visit.
func soon(p *plant, i int, chance float64, days int) {
	r := &p.states[i].Row
	today := p.site.Today(p.at)
	*r.EmptyP10, *r.EmptyP50, *r.EmptyP90 = today+2+1, today+2+5, today+2+12
	*r.EmptyP10 = p.site.Today(p.at.AddDate(0, 0, days))
	*r.ChangeBefore = *r.EmptyP10 - 1
	*r.ChanceBeforeVisit = chance
}

func TestEmptyBeforeVisit(t *testing.T) {
	p := newPlant(t, 2)
	soon(p, 1, 0.3, 9)
	require.Empty(t, p.look(0), "one forecast is none")
	require.Empty(t, p.look(5*time.Minute), "the same forecast again")
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(time.Hour)))

	r := p.one()
	require.Equal(t, "A-00001", r.ID)
	require.Equal(t, alarm.EmptyBeforeVisit, r.Type)
	require.Equal(t, alarm.Unacknowledged, r.State)
	require.Equal(t, alarm.Low, r.Priority)
	require.Equal(t, "low: criticality B, 8 days to the early empty date", r.PriorityReason)
	require.Equal(t, []any{0.3, 0.2, "1"}, []any{r.Value, r.Limit, r.Unit})
	require.Equal(t, "P-02", r.Point)
	require.Equal(t, "technician", r.Owner)
	require.Equal(t, start, r.Since)
	require.Equal(t, "chance of 30 % that it is empty before the visit on 24 Jan 2027; empty likely on 11 Jan 2027 (13 Jan 2027 to 18 Jan 2027, 80 %)", r.Detail)
	require.Equal(t, "P-02 (Head bearing) runs without supply from about 11 Jan 2027, perhaps from 13 Jan 2027; the bearing wears, runs hot and may fail.", r.Consequence)
	require.Contains(t, r.Response, "Put P-02 (Head bearing) on a round by 12 Jan 2027, or pull the visit planned for 24 Jan 2027 forward.")
	require.Contains(t, r.Response, "Check that a reservoir R-125 (125 cm³ cartridge), item 40-117 is in stock.")
	// 10 cm3 per 100 h at 70 h a week is 1 cm3 a day, for the 11 days from the
	// early date to the visit.
	require.Contains(t, r.Response, "If nobody can be there by 12 Jan 2027: grease by hand once, about 11 cm³ (the plan's dose from 13 Jan 2027 to 24 Jan 2027) in small portions.")
	require.Contains(t, r.Cause, "M-02 (Bucket elevator) runs more than planned")

	t.Run("a change ends it at once", func(t *testing.T) {
		p.states[1].Row.FillStarted = ptr(p.at)
		*p.states[1].Row.ChanceBeforeVisit = 0
		require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Minute)))
		require.Equal(t, alarm.ReturnedUnacked, p.one().State, "nothing that happened goes unseen")
		require.NoError(t, p.watch.Acknowledge(t.Context(), "A-00001", "kim", "changed it", p.at))
		require.Empty(t, p.rows())
	})
}

func TestEmptyBeforeVisitLimits(t *testing.T) {
	for name, c := range map[string]struct {
		point  int // 0 has criticality A
		chance float64
		days   int
		want   alarm.Priority // empty: no alarm
	}{
		"below the limit":                  {1, 0.19, 9, ""},
		"criticality A has half the limit": {0, 0.11, 9, alarm.Medium},
		"far off is planned work":          {1, 0.30, 16, ""},
		"far off, criticality A":           {0, 0.30, 16, alarm.Low},
		"two days left":                    {1, 0.30, 3, alarm.Medium},
		"an even chance is one step up":    {1, 0.55, 9, alarm.Medium},
		"no time left":                     {1, 0.30, 0, alarm.High},
	} {
		t.Run(name, func(t *testing.T) {
			p := newPlant(t, 2)
			soon(p, c.point, c.chance, c.days)
			p.look(0)
			p.look(time.Hour)
			if c.want == "" {
				require.Empty(t, p.rows())
				return
			}
			require.Equal(t, c.want, p.one().Priority)
		})
	}
}

func TestEmptyBeforeVisitBand(t *testing.T) {
	p := newPlant(t, 2)
	soon(p, 1, 0.3, 9)
	p.look(0)
	p.look(time.Hour)
	*p.states[1].Row.ChanceBeforeVisit = 0.12
	for range 5 {
		require.Empty(t, p.look(time.Hour), "between half the limit and the limit nothing changes")
	}
	*p.states[1].Row.ChanceBeforeVisit = 0.09
	require.Empty(t, p.look(time.Hour))
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Hour)))
}

func TestEmptyBeforeVisitWithoutAnyLevel(t *testing.T) {
	p := newPlant(t, 2)
	p.site.Dispensers[1].Channels = nil
	soon(p, 1, 0.3, 9)
	p.states[1].Row.Evidence = config.EvidenceNone
	p.states[1].Delivery = forecast.Delivery{Verdict: forecast.NotObservable, Evidence: config.EvidenceNone}
	silent := "D-02" // dead reckoning: nothing comes from the dispenser
	p.look(0, silent)
	p.look(time.Hour, silent)
	require.Equal(t, alarm.EmptyBeforeVisit, p.one().Type)
}

func TestEmptyBeforeVisitAtOnceWhenTheLevelReadsEmpty(t *testing.T) {
	p := newPlant(t, 2)
	soon(p, 1, 1, 0)
	*p.states[1].Row.RemainingCM3 = 0
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(0)))
	require.Equal(t, alarm.High, p.one().Priority)
}

func TestEmptyBeforeVisitWhereNoRoundGoes(t *testing.T) {
	p := newPlant(t, 2)
	soon(p, 1, 0, 9)
	p.states[1].Row.NextVisit, p.states[1].Row.ChanceBeforeVisit = nil, nil
	today := p.site.Today(start)
	p.states[1].ChanceBefore = func(d civil.Date) float64 {
		require.Equal(t, today+14, d)
		return 0.4
	}
	p.look(0)
	p.look(time.Hour)
	require.Equal(t, "chance of 40 % that it is empty within 14 days, and no round goes there; empty likely on 11 Jan 2027 (13 Jan 2027 to 18 Jan 2027, 80 %)", p.one().Detail)
}

func TestStaleForecastRaisesNothing(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	soon(p, 1, 0.3, 9)
	p.look(13*time.Hour, "M-02", "D-02")
	p.look(13*time.Hour, "M-02", "D-02")
	rows := p.rows()
	require.Len(t, rows, 2)
	for _, r := range rows {
		require.Equal(t, alarm.NoTelemetry, r.Type, "silence has its own alarm")
	}
}

func TestWithheldForecastHidesAndKeeps(t *testing.T) {
	p := newPlant(t, 2)
	soon(p, 1, 0.3, 9)
	p.look(0)
	p.look(time.Hour)
	p.states[1].Row.Withheld = "only 3 days of data"
	p.look(time.Hour)
	r := p.one()
	require.Equal(t, alarm.SuppressedByDesign, r.State)
	require.Equal(t, []string{"forecast is withheld"}, r.SuppressedBy)
	p.states[1].Row.Withheld = ""
	require.Empty(t, notices(p.look(time.Hour)), "nothing about it is new")
	require.Equal(t, alarm.Unacknowledged, p.one().State)
}

func TestPlannedShutdownHidesOnlyIfItLastsToTheVisit(t *testing.T) {
	for _, c := range []struct {
		days int
		want alarm.State
	}{{30, alarm.SuppressedByDesign}, {5, alarm.Unacknowledged}} {
		p := newPlant(t, 2)
		today := p.site.Today(start)
		p.site.Calendar.Shutdowns = []config.Shutdown{{From: today - 1, To: today + civil.Date(c.days), Machines: []string{"M-02"}}}
		soon(p, 1, 0.3, 9)
		p.look(0)
		p.look(time.Hour)
		require.Equal(t, c.want, p.one().State)
	}
}

func TestEmptyDateDrifts(t *testing.T) {
	p := newPlant(t, 2)
	r := &p.states[1].Row
	today := p.site.Today(start)
	*r.EmptyP10, *r.EmptyP50, *r.EmptyP90, *r.DriftDays = today+45, today+52, today+60, -28
	require.Empty(t, p.look(0))
	require.Empty(t, p.look(6*time.Hour), "three daily looks, not three in a day")
	require.Empty(t, p.look(18*time.Hour))
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(day)))
	row := p.one()
	// Limit: the planned life is 40 days gone and 80 to come, 10 % of it.
	require.Equal(t, []any{-28.0, -12.0, "d"}, []any{row.Value, row.Limit, row.Unit})
	require.Equal(t, "likely empty on 25 Feb 2027, 28 days earlier than the planned 25 Mar 2027", row.Detail)
	require.Contains(t, row.Response, "Compare duty with the plan of P-02 (Head bearing): 70 h a week, planned 70 h a week.")

	// The other way asks nobody to act in time: planned work.
	*r.EmptyP10, *r.EmptyP50, *r.EmptyP90, *r.DriftDays = today+90, today+96, today+110, 16
	var after []alarm.Notice
	for range 6 {
		after = append(after, notices(p.look(day))...)
	}
	require.Equal(t, []alarm.Notice{alarm.Return}, after)
	require.Empty(t, p.rows(), "a return at low priority waits for nobody")
	prompts, err := alerts.Prompts(t.Context(), p.site, p.fleet(), p.src)
	require.NoError(t, err)
	var text string
	for _, one := range prompts {
		if one.Kind == alarm.PromptPlan {
			text += one.Text
		}
	}
	require.Contains(t, text, "P-02 (Head bearing) is likely empty on 10 Apr 2027, 16 days later than planned")
}

func TestDriftIsHiddenWhereAnotherAlarmSaysWhy(t *testing.T) {
	p := newPlant(t, 2)
	r := &p.states[1].Row
	today := p.site.Today(start)
	p.states[1].Delivery.Verdict, p.states[1].Delivery.Ratio = forecast.Over, ptr(2.0)
	*r.EmptyP10, *r.EmptyP50, *r.EmptyP90, *r.DriftDays = today+25, today+30, today+38, -50
	for range 6 {
		p.look(day)
	}
	rows := p.rows()
	require.Len(t, rows, 2)
	require.Equal(t, []alarm.Type{alarm.OverDelivery, alarm.EmptyDateDrifts}, []alarm.Type{rows[0].Type, rows[1].Type})
	require.Equal(t, []string{"another alarm of this point names the cause"}, rows[1].SuppressedBy)
	require.Nil(t, rows[1].Announced)
}

func TestIdsKeepTheirCase(t *testing.T) {
	p := newPlant(t, 2)
	p.site.Points[1].ID, p.states[1].Row.Point = "elev-t1-head", "elev-t1-head"
	p.site.Machines[1].ID, p.states[1].Row.Machine, p.site.Points[1].Machine = "elev-t1", "elev-t1", "elev-t1"
	require.NoError(t, p.site.Reindex())
	soon(p, 1, 0.3, 9)
	p.look(0)
	p.look(time.Hour)
	require.Regexp(t, "^elev-t1-head ", p.one().Consequence)
	require.Regexp(t, "^elev-t1 ", p.one().Cause)
}

func TestUnderDelivery(t *testing.T) {
	p := newPlant(t, 2)
	d := &p.states[1].Delivery
	*d = forecast.Delivery{
		Evidence: config.EvidenceMeasured, Verdict: forecast.Under, Ratio: ptr(0.62), RatioSD: ptr(0.08),
		CommandedCM3: ptr(42.0), DeliveredCM3: ptr(26.0), Why: "a blocked line and a stuck level sensor look alike",
	}
	p.look(0)
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(day)))
	r := p.one()
	require.Equal(t, alarm.Medium, r.Priority)
	require.Equal(t, "reliability", r.Owner)
	require.Equal(t, "62 % of what was commanded was delivered: 26 of 42 cm³ (± 8 %); a blocked line and a stuck level sensor look alike", r.Detail)
	require.Equal(t, "P-02 (Head bearing) gets about 62 % of its dose; the bearing is starved although the dispenser counts.", r.Consequence)
	require.Contains(t, r.Response, "Grease by hand what was missed, about 16 cm³, in small portions.")
	require.Contains(t, r.Response[0], "Moving machine parts")

	d.Verdict, d.Ratio = forecast.NotDispensing, ptr(0.02)
	require.Equal(t, []alarm.Notice{alarm.Escalate}, notices(p.look(time.Hour)))
	require.Equal(t, "P-02 (Head bearing) gets next to nothing of its dose; the bearing is starved although the dispenser counts.", p.one().Consequence)
	require.Equal(t, alarm.High, p.one().Priority)

	d.Ratio, d.DeliveredCM3 = ptr(-0.13), ptr(-5.5) // an estimate may fall below nothing
	p.look(time.Hour)
	require.Zero(t, p.one().Value)
	require.Contains(t, p.one().Detail, "0 % of what was commanded was delivered: 0 of 42 cm³")
	require.Contains(t, p.one().Response, "Grease by hand what was missed, about 42 cm³, in small portions.")

	d.Verdict, d.Ratio = forecast.AsPlanned, ptr(0.90)
	p.look(day)
	require.Empty(t, notices(p.look(day)), "0.90 is within the band")
	*d.Ratio = 0.95
	p.look(day)
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(day)))
}

func TestCountedEvidenceProvesNoDelivery(t *testing.T) {
	p := newPlant(t, 1)
	p.states[0].Delivery = forecast.Delivery{Evidence: config.EvidenceCounted, Verdict: forecast.Under, Ratio: ptr(0.1)}
	for range 4 {
		p.look(day)
	}
	require.Empty(t, p.rows())
}

func TestStandingMachineHidesUnderDelivery(t *testing.T) {
	p := newPlant(t, 1)
	p.states[0].Delivery.Verdict, p.states[0].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.src.hours["M-01"] = reading.Amount{Value: 0, Seen: 1, Known: 1}
	p.look(0)
	p.look(day)
	require.Equal(t, alarm.SuppressedByDesign, p.one().State)
	require.Nil(t, p.one().Announced)

	p.src.hours["M-01"] = reading.Amount{Value: 6, Seen: 1, Known: 1}
	require.Empty(t, notices(p.look(day)), "the delay begins again")
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(day)))
}

func TestOverDelivery(t *testing.T) {
	p := newPlant(t, 1)
	p.states[0].Delivery.Verdict, p.states[0].Delivery.Ratio = forecast.Over, ptr(1.4)
	p.look(0)
	p.look(day)
	r := p.one()
	require.Equal(t, alarm.OverDelivery, r.Type)
	require.Equal(t, []any{1.4, 1.15}, []any{r.Value, r.Limit})
	require.Contains(t, r.Consequence, "about 140 % of its dose")
}

func TestNoLeak(t *testing.T) {
	level := func(days int, percent float64) reading.Sample {
		return reading.Sample{At: start.AddDate(0, 0, days), Quantity: reading.LevelPercent, Value: percent}
	}
	p := newPlant(t, 1)
	p.src.levels["D-01"] = []reading.Sample{level(-2, 80), level(-1, 78), level(0, 73)}
	require.Empty(t, p.look(0), "5 % of 120 cm³ is less than three days at full running need, and than three steps of the sensor")
}

func TestPossibleLeakLatches(t *testing.T) {
	level := func(days int, percent float64) reading.Sample {
		return reading.Sample{At: start.AddDate(0, 0, days), Quantity: reading.LevelPercent, Value: percent}
	}
	p := newPlant(t, 1)
	p.src.hours["M-01"] = reading.Amount{Value: 0, Seen: 1, Known: 1} // a standing machine leaks all the same
	p.src.levels["D-01"] = []reading.Sample{level(-2, 80), level(-1, 78), level(0, 48)}
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(0)), "no delay")
	r := p.one()
	// 30 % of 120 cm3; the limit is 3 days of 24 h at 10 cm3 per 100 h = 7.2.
	require.Equal(t, []any{36.0, 7.2, "cm3"}, []any{r.Value, r.Limit, r.Unit})
	require.Equal(t, alarm.High, r.Priority)
	require.Equal(t, "possible leak: the level fell by 36 cm³ within 24 h; the plan needs at most 2.4 cm³ a day", r.Detail)

	p.src.levels["D-01"] = append(p.src.levels["D-01"], level(1, 47.5), level(2, 47), level(3, 46.5))
	p.look(3 * day)
	p.look(day)
	require.Equal(t, alarm.LatchedUnacked, p.one().State, "stays listed")
	require.Error(t, p.watch.Reset(t.Context(), r.ID, "kim", "", p.at))
	require.NoError(t, p.watch.Acknowledge(t.Context(), r.ID, "kim", "", p.at))
	require.Equal(t, alarm.LatchedAcked, p.one().State)
	require.NoError(t, p.watch.Reset(t.Context(), r.ID, "kim", "line replaced", p.at))
	require.Empty(t, p.rows())
}

func TestRunWithoutDose(t *testing.T) {
	p := newPlant(t, 2)
	s := &p.states[1]
	p.src.every[s.Row.Machine] = time.Hour // the dispenser declares 4 h
	s.RunHoursSinceDose, s.DoseIntervalHours = ptr(19.0), ptr(10.0)
	p.look(0)
	require.Empty(t, p.look(day), "not two doses yet")
	*s.RunHoursSinceDose = 24.9
	p.look(day)
	require.Empty(t, p.look(day), "the next dose may stand in a report that is not due yet")
	*s.RunHoursSinceDose = 26
	p.look(day)
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(time.Hour)))
	r := p.one()
	require.Equal(t, []any{26.0, 25.0, "h"}, []any{r.Value, r.Limit, r.Unit})
	require.Equal(t, "P-02 (Head bearing) has had nothing for 26 run-hours of M-02 (Bucket elevator); doses were due every 10 h.", r.Consequence)
	*s.RunHoursSinceDose = 1
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Hour)), "the next dose ends it")
}

func TestSettingDiffers(t *testing.T) {
	p := newPlant(t, 2)
	s := &p.states[1]
	s.Setting, s.SettingReported, s.SettingSince = &config.Setting{Pacing: config.PacingRun, CM3Per100h: 8}, true, start.AddDate(0, 0, -3)
	p.look(0)
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(time.Hour)))
	r := p.one()
	require.Equal(t, []any{-20.0, -1.0, "%"}, []any{r.Value, r.Limit, r.Unit})
	require.Equal(t, alarm.Low, r.Priority)
	require.Equal(t, "8 cm³ per 100 h in force, 10 cm³ per 100 h registered", r.Detail)
	require.Contains(t, r.Response, "Find out who changed what: 8 cm³ per 100 h in force since 1 Jan 2027, 10 cm³ per 100 h registered.")
	s.Setting.CM3Per100h = 7
	p.look(time.Hour)
	require.Equal(t, alarm.Medium, p.one().Priority)
	s.Setting.CM3Per100h = 10
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Minute)), "equal again ends it at once")

	s.SettingReported = false
	s.Counted = &forecast.Counted{ExpectedPulses: 100, CountedPulses: 60, SettingSuspect: true, Why: "strokes say 6, the register says 10 cm³ per 100 h"}
	p.look(time.Hour)
	p.look(time.Hour)
	require.Equal(t, "strokes say 6, the register says 10 cm³ per 100 h", p.one().Detail)
}

func TestCommissioningHides(t *testing.T) {
	p := newPlant(t, 1)
	s := &p.states[0]
	s.InCommissioning = true
	s.RunHoursSinceDose, s.DoseIntervalHours = ptr(50.0), ptr(10.0)
	p.look(0)
	p.look(time.Hour)
	require.Equal(t, alarm.SuppressedByDesign, p.one().State)
}

func TestRoleOfTheSiteOwnsTheAlarm(t *testing.T) {
	p := newPlant(t, 2)
	p.site.Roles = []config.Role{{ID: "fitter", Alarms: []string{"empty_before_visit"}}}
	soon(p, 1, 0.3, 9)
	p.look(0)
	p.look(time.Hour)
	require.Equal(t, "fitter", p.one().Owner)
}
