package alerts_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const day = 24 * time.Hour

// start is a Monday, 07:00 in the plant's zone.
var start = time.Date(2027, 1, 4, 6, 0, 0, 0, time.UTC)

// plant is a small site with one point a machine, all behind one gateway, and
// a source that says what the test wants.
type plant struct {
	t      testing.TB
	site   *config.Site
	watch  *alerts.Watch
	ledger *ledger.Ledger
	path   string
	at     time.Time
	states []forecast.State
	src    *source
}

// source answers from maps; devices without an entry never reported.
type source struct {
	seen   map[string]time.Time
	every  map[string]time.Duration
	hours  map[string]reading.Amount
	levels map[string][]reading.Sample
	asked  int
}

func (s *source) Days(context.Context, string, reading.Kind, civil.Date, civil.Date) ([]reading.Day, error) {
	return nil, nil
}

func (s *source) Amount(_ context.Context, device string, _ reading.Kind, _, _ time.Time) (reading.Amount, error) {
	s.asked++
	return s.hours[device], nil
}

func (s *source) Levels(_ context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	s.asked++
	var out []reading.Sample
	for _, l := range s.levels[device] {
		if !l.At.Before(from) && !l.At.After(to) {
			out = append(out, l)
		}
	}
	return out, nil
}

func (s *source) Facts(context.Context, time.Time) ([]reading.Fact, error) { return nil, nil }

func (s *source) LastSeen(_ context.Context, device string, _ time.Time) (time.Time, time.Duration, bool, error) {
	s.asked++
	at, ok := s.seen[device]
	return at, s.every[device], ok, nil
}

// newPlant makes a plant of n points that report and are as planned. The first
// machine has criticality A, the others B.
func newPlant(t testing.TB, n int) *plant {
	t.Helper()
	p := &plant{t: t, at: start, src: &source{
		seen: map[string]time.Time{}, every: map[string]time.Duration{}, hours: map[string]reading.Amount{}, levels: map[string][]reading.Sample{},
	}}
	s := &config.Site{
		ID: "bend", Name: "River bend", Zone: "Europe/Berlin",
		Areas:      []config.Area{{ID: "silo", Name: "Silos"}},
		Reservoirs: []config.Reservoir{{ID: "R-125", Name: "125 cm³ cartridge", Item: "40-117", UsableCM3: 120, MaxStayMonths: 12}},
		Lubricants: []config.Lubricant{{ID: "G-1", DensityGPerCM3: 0.9}},
	}
	g := config.Gateway{ID: "GW-1", Name: "Silo roof", Area: "silo"}
	for i := range n {
		machine, point, dispenser := fmt.Sprintf("M-%02d", i+1), fmt.Sprintf("P-%02d", i+1), fmt.Sprintf("D-%02d", i+1)
		criticality := config.CriticalityB
		if i == 0 {
			criticality = config.CriticalityA
		}
		s.Machines = append(s.Machines, config.Machine{ID: machine, Name: "Bucket elevator", Area: "silo", Criticality: criticality, Every: 15 * time.Minute})
		s.Points = append(s.Points, config.Point{
			ID: point, Name: "Head bearing", Machine: machine, Lubricant: "G-1", Reservoir: "R-125",
			Plan: config.Plan{DoseCM3Per100h: 10, HoursPerWeek: 70},
		})
		s.Dispensers = append(s.Dispensers, config.Dispenser{
			ID: dispenser, Point: point, Every: 4 * time.Hour,
			Channels: []config.ChannelInfo{{Kind: "level", Evidence: config.EvidenceMeasured, StepPercent: 2}},
		})
		g.Machines, g.Dispensers = append(g.Machines, machine), append(g.Dispensers, dispenser)
	}
	s.Gateways = []config.Gateway{g}
	require.NoError(t, s.Reindex())
	p.site = s
	p.path = filepath.Join(t.TempDir(), "ledger.db")
	p.open()
	p.healthy()
	return p
}

func (p *plant) open() {
	p.t.Helper()
	var err error
	p.ledger, err = ledger.Open(p.t.Context(), p.path)
	require.NoError(p.t, err)
	l := p.ledger
	p.t.Cleanup(func() { _ = l.Close() })
	p.watch, err = alerts.NewWatch(p.t.Context(), p.ledger, func() *config.Site { return p.site }, nil)
	require.NoError(p.t, err)
}

// restart closes the ledger and begins anew from what is on disk.
func (p *plant) restart() {
	p.t.Helper()
	require.NoError(p.t, p.ledger.Close())
	p.open()
}

func ptr[T any](v T) *T { return &v }

// healthy sets all states so that nothing is to be said.
func (p *plant) healthy() {
	p.states = p.states[:0]
	today := p.site.Today(start)
	for i := range p.site.Points {
		point := &p.site.Points[i]
		d := p.site.DispenserAt(point.ID)
		set := config.Setting{Pacing: config.PacingRun, CM3Per100h: 10}
		p.states = append(p.states, forecast.State{
			Device: d.ID,
			Row: forecast.Row{
				Point: point.ID, Machine: point.Machine, Dispenser: d.ID, Pacing: config.PacingRun,
				FillStarted: ptr(start.AddDate(0, 0, -40)), CapacityCM3: ptr(120.0), RemainingCM3: ptr(80.0), RemainingSDCM3: ptr(4.0),
				DutyPerDay: ptr(10.0), Evidence: config.EvidenceMeasured,
				EmptyP10: ptr(today + 70), EmptyP50: ptr(today + 80), EmptyP90: ptr(today + 90), ChangeBefore: ptr(today + 69),
				PlannedEmpty: ptr(today + 80), DriftDays: ptr(0), ChanceBeforeVisit: ptr(0.0), NextVisit: ptr(today + 20), Basis: "daytypes",
			},
			Delivery: forecast.Delivery{Point: point.ID, Evidence: config.EvidenceMeasured, Verdict: forecast.AsPlanned, Ratio: ptr(1.0), CommandedCM3: ptr(40.0), DeliveredCM3: ptr(40.0)},
			Setting:  &set, Registered: &set,
		})
	}
}

// look evaluates after a time, with everything that is not silenced reporting.
func (p *plant) look(later time.Duration, silent ...string) []alarm.Transition {
	p.t.Helper()
	p.at = p.at.Add(later)
	quiet := map[string]bool{}
	for _, id := range silent {
		quiet[id] = true
	}
	hear := func(id string) {
		if !quiet[id] {
			p.src.seen[id] = p.at.Add(-5 * time.Minute)
		}
	}
	for i := range p.site.Machines {
		hear(p.site.Machines[i].ID)
	}
	for i := range p.site.Dispensers {
		hear(p.site.Dispensers[i].ID)
	}
	for i := range p.states {
		p.states[i].NewestDuty = p.src.seen[p.states[i].Row.Machine]
		p.states[i].NewestLevel = p.src.seen[p.states[i].Device]
	}
	moves, err := p.watch.Evaluate(p.t.Context(), p.fleet(), p.src)
	require.NoError(p.t, err)
	return moves
}

func (p *plant) fleet() forecast.Fleet {
	return forecast.Fleet{Site: p.site.ID, Zone: p.site.Zone, At: p.at, States: p.states}
}

// one gives the only row of the alarm list, as it is on disk.
func (p *plant) one() alarm.Row {
	p.t.Helper()
	rows := p.rows()
	require.Len(p.t, rows, 1)
	return rows[0]
}

func (p *plant) rows() []alarm.Row {
	p.t.Helper()
	rows, err := p.ledger.Rows(p.t.Context(), ledger.Filter{})
	require.NoError(p.t, err)
	require.Equal(p.t, p.watch.Rows(), rows, "what is in memory is what is on disk")
	return rows
}

func notices(moves []alarm.Transition) []alarm.Notice {
	var out []alarm.Notice
	for _, m := range moves {
		if m.Notice != alarm.NoNotice {
			out = append(out, m.Notice)
		}
	}
	return out
}
