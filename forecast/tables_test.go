package forecast_test

import (
	"bytes"
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
	"dwindle/forecast/memory"
)

func usageOf(t *testing.T, s *config.Site, past *memory.Past, first, last string) []export.Usage {
	t.Helper()
	var out []export.Usage
	require.NoError(t, forecast.Usage(context.Background(), s, past, date(t, first), date(t, last), func(u export.Usage) error {
		out = append(out, u)
		return nil
	}))
	return out
}

func TestUsageRows(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m",
		Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 1}},
		Channels: []config.ChannelInfo{{Kind: "dose", Evidence: config.EvidenceMeasured}}})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	for d := date(t, "2026-01-01"); d <= date(t, "2026-01-10"); d++ {
		if d != date(t, "2026-01-03") {
			past.AddDay("elev1", reading.Run, d, 12)
		}
		if d >= date(t, "2026-01-06") {
			past.AddDay("d2", reading.Dose, d, 0.11)
		}
	}
	past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "elev1-head", OldDevice: "d1", Device: "d2", At: at(t, "2026-01-05T12:00:00Z")})
	rows := usageOf(t, s, past.Seal(), "2026-01-02", "2026-01-07")
	// 2, 4 January by d1, the unseen 3rd left out, the 5th in halves, 6 and 7 by d2.
	require.Len(t, rows, 6)
	require.Equal(t, []string{"d1", "d1", "d1", "d2", "d2", "d2"}, []string{rows[0].Dispenser, rows[1].Dispenser, rows[2].Dispenser, rows[3].Dispenser, rows[4].Dispenser, rows[5].Dispenser})
	require.InDelta(t, 0.3, *rows[0].CommandedCM3, 1e-12)  // 12 h at 2.5 cm3 per 100 h
	require.InDelta(t, 0.15, *rows[2].CommandedCM3, 1e-12) // half of it
	require.InDelta(t, 6, *rows[2].RunHours, 1e-12)
	require.InDelta(t, 0.06, *rows[3].CommandedCM3, 1e-12) // the other half at 1
	require.InDelta(t, 0.12, *rows[4].CommandedCM3, 1e-12)
	require.Nil(t, rows[0].DeliveredCM3, "nothing measured")
	require.InDelta(t, 0.11, *rows[4].DeliveredCM3, 1e-12)
	require.Nil(t, rows[0].Pulses)
	require.Equal(t, 1.0, rows[0].Seen)

	var machines []export.MachineDay
	require.NoError(t, forecast.MachineDays(context.Background(), s, past, date(t, "2026-01-02"), date(t, "2026-01-04"), func(m export.MachineDay) error {
		machines = append(machines, m)
		return nil
	}))
	require.Equal(t, []export.MachineDay{{Machine: "elev1", Date: date(t, "2026-01-02"), RunHours: 12, Seen: 1, Zone: "UTC"}, {Machine: "elev1", Date: date(t, "2026-01-04"), RunHours: 12, Seen: 1, Zone: "UTC"}}, machines)
	require.ErrorContains(t, forecast.Usage(context.Background(), s, past, date(t, "2026-01-04"), date(t, "2026-01-02"), nil), "must not be after")
}

func TestTrendRows(t *testing.T) {
	s := gauged(t, 0.5, 0.3, config.EvidenceMeasured)
	s.Points = append(s.Points, config.Point{ID: "elev1-boot", Machine: "elev1", Lubricant: "grease", Reservoir: "r125", Plan: s.Points[0].Plan})
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m", Point: "elev1-boot",
		Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 1}}})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	past.AddFact(reading.Fact{ID: "c2", Kind: reading.FactChange, Point: "elev1-head", At: at(t, "2026-02-15T12:00:00Z")})
	r := rand.New(rand.NewPCG(5, 5))
	left := 125.0
	for i := range 90 {
		d := date(t, "2026-01-01") + civil.Date(i)
		hours := 10 + 8*r.Float64()
		past.AddDay("elev1", reading.Run, d, hours)
		left -= 0.8 * 0.025 * hours // delivers 80 %: 2 cm3 per 100 h
		if d == date(t, "2026-02-15") {
			left = 125
		}
		past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, left+0.3*r.NormFloat64())
	}
	rows, err := forecast.Trends(context.Background(), s, past.Seal(), date(t, "2026-01-01"), date(t, "2026-03-31"))
	require.NoError(t, err)
	by := map[string]export.Trend{}
	for _, row := range rows {
		by[row.Group+" "+row.ID] = row
	}
	require.Len(t, rows, 5) // two points, machine, area, lubricant
	head := by["point elev1-head"]
	require.Equal(t, "delivered", head.Volume)
	require.InDelta(t, 2, *head.CM3Per100h, 3**head.SE)
	require.Less(t, *head.SE, 0.2)
	require.Less(t, *head.Low, *head.CM3Per100h)
	require.Less(t, *head.CM3Per100h, *head.High)
	require.Equal(t, []string{"2026-01-01", "2026-02-15"}, head.ChangeMarks)
	require.Equal(t, 88, head.Days) // all but the first and the day of the change
	boot := by["point elev1-boot"]
	require.Equal(t, "commanded", boot.Volume)
	require.InDelta(t, 1, *boot.CM3Per100h, 1e-9)
	require.InDelta(t, 0, *boot.SE, 1e-9)
	machine := by["machine elev1"]
	require.Equal(t, "mixed", machine.Volume)
	require.InDelta(t, *head.CM3Per100h+1, *machine.CM3Per100h, 1e-9)
	require.InDelta(t, *machine.CM3Per100h, *by["area tower"].CM3Per100h, 1e-12)
	require.InDelta(t, *machine.CM3Per100h, *by["lubricant grease"].CM3Per100h, 1e-12)

	require.Equal(t, 2, machine.Points)
	require.Zero(t, machine.LeftOut)

	// A point of which nothing is known does not take its area's trend away, but
	// is counted.
	s.Machines = append(s.Machines, config.Machine{ID: "gate1", Area: "tower"})
	s.Points = append(s.Points, config.Point{ID: "gate1-rack", Machine: "gate1"})
	require.NoError(t, s.Reindex())
	rows, err = forecast.Trends(context.Background(), s, past, date(t, "2026-01-01"), date(t, "2026-03-31"))
	require.NoError(t, err)
	require.Len(t, rows, 7)
	require.Equal(t, "gate1-rack", rows[2].ID)
	require.Equal(t, 0, rows[2].Days)
	require.Equal(t, 1, rows[2].LeftOut)
	require.Equal(t, "tower", rows[5].ID)
	require.InDelta(t, *machine.CM3Per100h, *rows[5].CM3Per100h, 1e-12)
	require.Equal(t, []int{2, 1}, []int{rows[5].Points, rows[5].LeftOut})

	// Too little to fit: the row is there, the numbers are not.
	rows, err = forecast.Trends(context.Background(), s, past, date(t, "2026-01-01"), date(t, "2026-01-05"))
	require.NoError(t, err)
	require.Nil(t, rows[0].CM3Per100h)
	require.NotNil(t, rows[0].CM3PerDay)
}

// The interval of a trend holds what really went out in about 90 % of histories,
// with a gauge of 2 % of 125 cm3, whose steps are five times a day's volume, and
// machines that stand at weekends.
func TestTrendIntervalsCover(t *testing.T) {
	const plants, per100h = 300, 0.8 * 2.5
	s := gauged(t, 2.5, 0.1, config.EvidenceMeasured)
	hit := 0
	for seed := range uint64(plants) {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		r := rand.New(rand.NewPCG(17, seed))
		left := 100 + 20*r.Float64()
		for i := range 120 {
			d := date(t, "2026-01-01") + civil.Date(i)
			hours := 8 + 12*r.Float64()
			if w := d.Weekday(); w == time.Saturday || w == time.Sunday {
				hours = 0
			}
			past.AddDay("elev1", reading.Run, d, hours)
			left -= per100h / 100 * hours * (1 + 0.2*r.NormFloat64())
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, 2.5*math.Floor((left+0.1*r.NormFloat64())/2.5))
		}
		rows, err := forecast.Trends(context.Background(), s, past.Seal(), date(t, "2026-01-01"), date(t, "2026-04-30"))
		require.NoError(t, err)
		require.Equal(t, "delivered", rows[0].Volume)
		if *rows[0].Low <= per100h && per100h <= *rows[0].High {
			hit++
		}
	}
	t.Logf("held in %d of %d", hit, plants)
	// Two standard errors of the share are 3.5 %.
	require.InDelta(t, 0.9, float64(hit)/plants, 0.06)
}

// The tables of forecasts and deliveries have the fields of the JSON rows, in
// their order; what a row lacks is an empty cell.
func TestForecastTableColumns(t *testing.T) {
	var b bytes.Buffer
	type dated struct {
		forecast.Row
		At   time.Time `json:"at"`
		Zone string    `json:"zone"`
	}
	table, _ := export.Find("forecasts", false)
	rows := export.New[dated](export.NewText(&b, export.CSV, table), table)
	require.NoError(t, rows.Write(dated{forecast.Row{Point: "elev1-head", Machine: "elev1", Evidence: config.EvidenceNone, Withheld: "no change, yet"}, at(t, "2026-02-10T00:00:00Z"), "UTC"}))
	require.NoError(t, rows.Close())
	require.Equal(t, "point,machine,dispenser,pacing,fill_started,capacity_cm3,remaining_cm3,remaining_sd_cm3,count_left,duty_per_day,"+
		"delivery_factor,delivery_factor_sd,evidence,empty_p10,empty_p50,empty_p90,beyond_days,change_before,planned_empty,drift_days,"+
		"chance_before_visit,next_visit,basis,withheld,act_before,act_chance,empty_since,level_rose,level_rose_cm3,notices,calibration,at,zone\r\nelev1-head,elev1,,,,,,,,,,,none,,,,,,,,,,,\"no change, yet\",,,,,,[],,2026-02-10T00:00:00.000Z,UTC\r\n", b.String())
	b.Reset()
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-04-30"), 12.5)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	got := one(t, s, past.Seal(), at(t, "2026-02-10T00:00:00Z"))
	table, _ = export.Find("delivery", false)
	deliveries := export.New[forecast.Delivery](export.NewText(&b, export.JSONLines, table), table)
	require.NoError(t, deliveries.Write(got.Delivery))
	require.NoError(t, deliveries.Close())
	require.JSONEq(t, `{"point":"elev1-head","from":"2026-01-13T00:00:00.000Z","to":"2026-02-10T00:00:00.000Z","planned_cm3":8.75,"commanded_cm3":8.75,
		"delivered_cm3":null,"ratio":null,"ratio_sd":null,"plan_ratio":1,"evidence":"none","verdict":"not_observable",
		"why":"no measured level or dose: what really goes out cannot be seen from here"}`, b.String())
}
