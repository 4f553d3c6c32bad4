package board_test

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/alerts/board"
	"dwindle/collector/health"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// now is a Monday, 07:00 in the plant's zone.
var now = time.Date(2027, 1, 4, 6, 0, 0, 0, time.UTC)

func ptr[T any](v T) *T { return &v }

// plant is a source with made-up data.
type plant struct {
	site    *config.Site
	fleet   *forecast.Fleet
	rows    []alarm.Row
	history []alarm.Row
	prompts []alarm.Prompt
	fills   []board.Fill
	checks  []board.Check
	health  board.Health
	err     error

	live, ready health.Probe
}

func (p *plant) Site() *config.Site { return p.site }

func (p *plant) Fleet() (forecast.Fleet, bool) {
	if p.fleet == nil {
		return forecast.Fleet{}, false
	}
	return *p.fleet, true
}

func (p *plant) Alarms(_ context.Context, point string, history bool, limit int) ([]alarm.Row, error) {
	all := p.rows
	if history {
		all = append(append([]alarm.Row{}, p.rows...), p.history...)
	}
	var out []alarm.Row
	for _, r := range all {
		if (point == "" || r.Point == point) && (limit == 0 || len(out) < limit) {
			out = append(out, r)
		}
	}
	return out, p.err
}

func (p *plant) Live() health.Probe  { return p.live }
func (p *plant) Ready() health.Probe { return p.ready }

func (p *plant) Checks() []board.Check                               { return p.checks }
func (p *plant) Prompts(context.Context) ([]alarm.Prompt, error)     { return p.prompts, p.err }
func (p *plant) Fills(context.Context, string) ([]board.Fill, error) { return p.fills, p.err }
func (p *plant) Health(context.Context) (board.Health, error)        { return p.health, p.err }

// newPlant makes a grain terminal of n points whose early dates lie further
// and further away.
func newPlant(t testing.TB, n int) *plant {
	t.Helper()
	s := &config.Site{ID: "bend", Name: "River bend terminal", Zone: "Europe/Berlin",
		Areas:      []config.Area{{ID: "quay", Name: "Quay"}, {ID: "silo", Name: "Silos"}},
		Lubricants: []config.Lubricant{{ID: "L-2", Name: "lithium complex grease"}},
		Reservoirs: []config.Reservoir{{ID: "R-125", Name: "125 cm³"}},
	}
	today := civil.New(2027, 1, 4)
	s.Calendar.Rounds = []config.Round{
		{ID: "q", Areas: []string{"quay"}, First: today + 6, EveryWeeks: 4}, {ID: "s", Areas: []string{"silo"}, First: today + 15, EveryWeeks: 4},
	}
	f := &forecast.Fleet{Site: s.ID, Zone: s.Zone, At: now}
	names := []string{"Drive-end bearing", "Head pulley, left", "Head pulley, right", "Boot shaft", "Fan bearing", "Slewing ring"}
	for i := range n {
		area := []string{"quay", "silo"}[i%2]
		m := config.Machine{ID: fmt.Sprintf("M-%02d", i+1), Name: []string{"Ship unloader", "Bucket elevator", "Chain conveyor"}[i%3], Area: area, Criticality: []config.Criticality{"A", "B", "C"}[i%3]}
		s.Machines = append(s.Machines, m)
		p := config.Point{ID: fmt.Sprintf("P-%04d", 421+i), Name: names[i%len(names)], Machine: m.ID, Lubricant: "L-2", Reservoir: "R-125", Location: "Gallery 2, north side, ladder"}
		s.Points = append(s.Points, p)
		st := forecast.State{Device: fmt.Sprintf("D-%04d", 1001+i), Row: forecast.Row{Point: p.ID, Machine: m.ID, Pacing: config.PacingRun, Evidence: config.EvidenceMeasured}}
		p50 := float64(6 + i*5)
		sd := 1 + p50*0.12
		at := func(q float64) *civil.Date { return ptr(today + civil.Date(math.Round(p50+q*sd))) }
		r := &st.Row
		r.EmptyP10, r.EmptyP50, r.EmptyP90 = at(-1.2816), at(0), at(1.2816)
		r.ChangeBefore, r.PlannedEmpty, r.DriftDays = ptr(*r.EmptyP10-1), ptr(today+civil.Date(p50)+9), ptr(-9)
		r.NextVisit = ptr(today + civil.Date([]int{6, 15}[i%2]))
		st.ChanceBefore = func(d civil.Date) float64 { return 0.5 * math.Erfc(-(float64(d-today)-p50)/sd/math.Sqrt2) }
		r.ChanceBeforeVisit = ptr(st.ChanceBefore(*r.NextVisit - 1))
		r.FillStarted, r.CapacityCM3, r.RemainingCM3, r.RemainingSDCM3 = ptr(now.AddDate(0, 0, -60)), ptr(120.0), ptr(3.2*p50/2), ptr(2.4)
		r.DutyPerDay, r.DeliveryFactor, r.Basis = ptr(11.3), ptr(0.97), "daytypes"
		st.NewestDuty, st.NewestLevel = now.Add(-12*time.Minute), now.Add(-3*time.Hour)
		st.Setting = &config.Setting{Pacing: config.PacingRun, CM3Per100h: 8.5}
		st.SettingReported = true
		st.Delivery = forecast.Delivery{Point: p.ID, From: now.AddDate(0, 0, -30), To: now, PlannedCM3: ptr(31.0), CommandedCM3: ptr(29.4), DeliveredCM3: ptr(18.2), Ratio: ptr(0.62), RatioSD: ptr(0.08), PlanRatio: ptr(0.59), Evidence: config.EvidenceMeasured, Verdict: forecast.Under, Why: "A blocked line and a stuck level sensor look alike from these signals."}
		f.States = append(f.States, st)
	}
	if n > 4 {
		w := &f.States[n-1].Row
		*w = forecast.Row{Point: w.Point, Machine: w.Machine, Withheld: "only 3 days of data"}
		b := &f.States[n-2].Row
		b.EmptyP10, b.EmptyP50, b.EmptyP90, b.ChangeBefore, b.BeyondDays = nil, nil, nil, nil, ptr(730)
	}
	require.NoError(t, s.Reindex())
	return &plant{site: s, fleet: f}
}

// withAlarms adds one row of every kind of state.
func (p *plant) withAlarms() *plant {
	row := func(id string, kind alarm.Type, point string, pr alarm.Priority, state alarm.State, detail string) alarm.Row {
		d, _ := alarm.Lookup(kind)
		r := alarm.Row{ID: id, Type: kind, Point: point, State: state, Priority: pr, Since: now.Add(-26 * time.Hour), Announced: ptr(now.Add(-25 * time.Hour)),
			Value: 0.62, Limit: 0.85, Unit: "1", Detail: detail, Owner: d.Owner, PriorityReason: string(pr) + ": criticality A"}
		r.Cause, r.Consequence, r.Response = d.Texts(map[string]string{"point": point + " (Drive-end bearing)", "early": "8 Jan 2027", "likely": "12 Jan 2027", "before": "7 Jan 2027", "visit": "10 Jan 2027", "share": "62 %"})
		return r
	}
	a := row("A-00017", alarm.EmptyBeforeVisit, "P-0421", alarm.High, alarm.Unacknowledged, "chance of 46 % that it is empty before the visit on 10 Jan 2027; empty likely on 10 Jan 2027 (8 Jan 2027 to 12 Jan 2027, 80 %)")
	a.Value, a.Limit, a.ActBy = 0.46, 0.1, ptr(now.AddDate(0, 0, 4))
	b := row("A-00015", alarm.UnderDelivery, "P-0424", alarm.Medium, alarm.Acknowledged, "62 % of what was commanded was delivered: 18.2 of 29.4 cm³ (± 8 %)")
	b.AcknowledgedBy, b.AcknowledgedAt, b.AcknowledgeNote = "kim", ptr(now.Add(-20*time.Hour)), "fitting looks dry, line ordered"
	c := row("A-00011", alarm.SettingDiffers, "P-0426", alarm.Low, alarm.Shelved, "8 cm³ per 100 h in force, 10 cm³ per 100 h registered")
	c.Value, c.Limit, c.Unit, c.ShelvedUntil, c.ShelvedBy, c.ShelveReason = -20, -1, "%", ptr(now.AddDate(0, 0, 3)), "ada", "planner decides on Thursday"
	d := row("A-00018", alarm.NoTelemetry, "", alarm.Low, alarm.SuppressedByDesign, "run signal of M-03 (Chain conveyor) silent since 3 Jan 2027 05:00 (26 h); expected within 1 h")
	d.Device, d.Value, d.Limit, d.Unit, d.SuppressedBy, d.Children = "M-03", 26, 1, "h", []string{alarm.ParentSilent.Words()}, []string{"P-0423"}
	p.rows = []alarm.Row{a, b, c, d}
	e := row("A-00009", alarm.RunWithoutDose, "P-0421", alarm.Medium, alarm.Normal, "23 run-hours since the last dose")
	e.Ended, e.EndReason, e.AcknowledgedBy = ptr(now.AddDate(0, 0, -9)), "condition gone", "kim"
	p.history = []alarm.Row{e}
	p.prompts = []alarm.Prompt{
		{Kind: alarm.PromptChange, Point: "P-0421", Due: ptr(civil.New(2027, 1, 7)), Text: "change the reservoir of P-0421 (Drive-end bearing) by 7 Jan 2027, likely empty 10 Jan 2027", Owner: "technician"},
		{Kind: alarm.PromptCommission, Device: "D-1099", Text: "D-1099 was never heard of: check its topic, or take it into service", Owner: "gateway_owner"},
	}
	p.fills = []board.Fill{
		{Began: now.AddDate(0, 0, -60), Device: "D-1001", VolumeCM3: ptr(120.0), By: "kim"},
		{Began: now.AddDate(0, 0, -170), Ended: now.AddDate(0, 0, -60), Device: "D-1001", VolumeCM3: ptr(120.0), ResidualCM3: ptr(14.2), By: "kim", Note: "fitting cleaned"},
	}
	p.checks = []board.Check{
		{Name: "broker", Level: "ok", What: "connected", Since: now.AddDate(0, 0, -3)},
		{Name: "journal", Level: "warn", What: "the disk is 88 % full", Try: "free space, or move the data directory", Since: now.Add(-2 * time.Hour)},
		{Name: "forecast", Level: "bad", What: "forecasts and alarms are not being updated", Try: "read the log", Since: now.Add(-time.Hour)},
	}
	p.health = board.Health{
		Counts: []board.Count{{Name: "received", N: 120456}, {Name: "stored", N: 120001}, {Name: "duplicates", N: 400}, {Name: "kept aside", N: 55}},
		Forward: &board.Forward{
			To: "http://127.0.0.1:8086 organisation terminal bucket lube site bend", Oldest: now.Add(-26 * time.Minute), Last: now.Add(-25 * time.Minute),
			Counts: []board.Count{{Name: "rows that wait", N: 1840}, {Name: "points written today", N: 90210}, {Name: "points kept aside: type conflict", N: 3}},
			Kept:   []board.Refusal{{At: now.Add(-2 * time.Hour), Reason: "type_conflict", Words: "unprocessable entity: field type conflict: input field pressure_bar is type float, already exists as type string dropped=1", Line: "status,channel=pressure_bar,device=D-1007,site=bend pressure_bar=3.5,lag_ms=420i,flags=0i 1795656278000000000"}},
		},
		Kept:    []board.Kept{{Reason: "unknown_device", N: 52, Samples: []board.Sample{{Received: now.Add(-time.Minute), Topic: "lube/v1/bend/D-1099/pulse", Payload: `{"count": 118}`, Detail: "no such device in the register"}}}},
		Unknown: []board.Unknown{{Device: "D-1099", First: now.AddDate(0, 0, -2), Last: now.Add(-time.Minute), Messages: 52}},
		Noticed: []board.Notice{
			{At: now.Add(-4 * time.Hour), Device: "D-1003", Words: "the pulse count repeats itself while the device is said to be offline", Evidence: "106 since 2027-01-04T01:40:00Z; offline since 2027-01-04T01:31:00Z by the status of its gateway", Try: "see why the device cannot be reached"},
			{At: now.Add(-30 * time.Hour), Until: now.Add(-28 * time.Hour), Words: "a session of the broker was lost", Evidence: "messages of 2 h may be missing"},
			{At: now.Add(-50 * time.Hour), Until: now.Add(-50 * time.Hour), Device: "D-1002", Words: "the pulse count went on from 800 after 15234: a restart, an old save, or another device?", Evidence: "15234 at 2027-01-02T03:00:00Z, 800 at 2027-01-02T04:00:00Z", Try: "record the swap if the device was replaced"},
		},
		Clocks: []board.Clock{
			{Device: "D-1001", Behind: 20 * time.Second}, {Device: "D-1004", Behind: 2*time.Hour + time.Minute},
			{Device: "D-1005", Behind: -7 * time.Minute}, {Device: "D-1006", Hint: "it sends seconds since its start, no time"},
		},
	}
	return p
}
