package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// The health list has a clock of its own: what counts is how long a check has
// stood by it.
var checksClock = time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)

// report looks at the collector after a time, with a check that has stood so
// long.
func (p *plant) report(later time.Duration, level health.Level, stood time.Duration, what string) []alarm.Transition {
	p.t.Helper()
	return p.collector(later, alerts.Collector{Now: checksClock, Parts: []alerts.Part{{
		Check: health.Check{Name: "broker connection", Level: level, What: what, Try: "see that the broker runs", Since: checksClock.Add(-stood)}, Vital: true,
	}}})
}

func (p *plant) collector(later time.Duration, c alerts.Collector) []alarm.Transition {
	p.t.Helper()
	p.at = p.at.Add(later)
	moves, err := p.watch.EvaluateCollector(p.t.Context(), p.at, c)
	require.NoError(p.t, err)
	return moves
}

func TestABrokerThatIsAwayIsAnAlarm(t *testing.T) {
	p := newPlant(t, 2)
	p.look(0)
	require.Empty(t, p.report(0, health.Bad, time.Minute, "no connection"), "connecting anew takes a while")
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.report(20*time.Second, health.Bad, 80*time.Second, "no connection")))
	r := p.one()
	require.Equal(t, []any{alarm.CollectorTrouble, "broker connection", alarm.Medium, "gateway_owner"}, []any{r.Type, r.Part, r.Priority, r.Owner})
	require.Equal(t, p.at.Add(-80*time.Second), r.Since)
	require.Equal(t, "no connection", r.Cause)
	require.Equal(t, "Do what its health check says: see that the broker runs.", r.Response[0])

	require.Empty(t, p.report(20*time.Second, health.Bad, 100*time.Second, "no connection"))
	require.Empty(t, p.look(time.Minute), "a forecast neither ends nor forgets it")
	p.restart()
	require.Empty(t, p.report(20*time.Second, health.Bad, time.Second, "no connection"), "nor does a restart, after which checks begin anew")

	require.Empty(t, p.report(time.Minute, health.Ok, 0, ""))
	require.Empty(t, p.report(time.Minute, health.Bad, 0, "no connection"), "up and down is still down")
	require.Empty(t, p.report(time.Minute, health.Ok, 0, ""))
	require.Empty(t, p.report(2*time.Minute, health.Ok, 0, ""))
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.report(time.Minute, health.Ok, 0, "")))
	require.Equal(t, alarm.ReturnedUnacked, p.one().State, "somebody is to know that messages may be missing")
}

func TestAPartThatIsGoneIsInNoTrouble(t *testing.T) {
	p := newPlant(t, 2)
	p.report(0, health.Bad, time.Hour, "no connection")
	p.one()
	p.collector(time.Minute, alerts.Collector{Now: checksClock})
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.collector(4*time.Minute, alerts.Collector{Now: checksClock})))
}

// Figures that grow are not written at every look; another cause is.
func TestWhatOnlyGrowsIsNotWritten(t *testing.T) {
	p := newPlant(t, 2)
	p.report(0, health.Bad, 2*time.Minute, "nothing written for 1m20s")
	before := p.one()
	p.report(20*time.Second, health.Bad, 3*time.Minute, "nothing written for 1m40s")
	require.Equal(t, before, p.one())
	p.report(20*time.Second, health.Bad, 3*time.Minute, "disk full")
	require.Equal(t, "disk full", p.one().Cause)
}

func TestWarningsThatLast(t *testing.T) {
	p := newPlant(t, 2)
	warning := func(warns bool, stood time.Duration) alerts.Collector {
		return alerts.Collector{Now: checksClock, Parts: []alerts.Part{{
			Check: health.Check{Name: "snapshots", Level: health.Warn, What: "no room", Since: checksClock.Add(-stood)}, Warns: warns,
		}}}
	}
	require.Empty(t, p.collector(0, warning(false, 24*time.Hour)), "not every warning asks for somebody")
	require.Empty(t, p.collector(0, warning(true, time.Hour)))
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.collector(time.Minute, warning(true, time.Hour+time.Second))))
	require.Equal(t, alarm.Low, p.one().Priority)
}

// asking gives the types of what asks somebody for something.
func (p *plant) asking() (out []alarm.Type) {
	for _, r := range p.rows() {
		if r.Asks() {
			out = append(out, r.Type)
		}
	}
	return out
}

// One cause, one alarm: what falls silent because nothing is received stands
// under that, and so it does until it had time to be heard again.
func TestSilenceOfTheCollectorIsOneAlarm(t *testing.T) {
	p := newPlant(t, 6)
	all := []string{"D-01", "D-02", "D-03", "D-04", "D-05", "D-06", "M-01", "M-02", "M-03", "M-04", "M-05", "M-06"}
	p.look(0)
	p.look(14*time.Hour, "D-04") // silent by itself before
	require.Equal(t, []alarm.Type{alarm.NoTelemetry}, p.asking())
	p.report(10*time.Minute, health.Bad, 5*time.Minute, "no connection")
	p.look(13*time.Hour, all...)
	require.ElementsMatch(t, []alarm.Type{alarm.NoTelemetry, alarm.CollectorTrouble}, p.asking())
	require.Greater(t, len(p.rows()), 10, "the history has them all")
	for _, r := range p.rows() {
		if !r.Asks() {
			require.Contains(t, r.SuppressedBy, alarm.CollectorDown.Words(), "%s %s", r.Type, r.Device)
		}
	}

	// The broker is back; one dispenser is not.
	p.report(time.Minute, health.Ok, 0, "")
	p.report(5*time.Minute, health.Ok, 0, "")
	p.look(time.Minute, "D-02", "D-04")
	p.look(time.Hour, "D-02", "D-04")
	require.ElementsMatch(t, []alarm.Type{alarm.NoTelemetry, alarm.CollectorTrouble}, p.asking(), "D-02 may take its time")
	p.look(12*time.Hour, "D-02", "D-04")
	require.ElementsMatch(t, []alarm.Type{alarm.NoTelemetry, alarm.NoTelemetry, alarm.CollectorTrouble}, p.asking())
}

func TestReadingsInDoubt(t *testing.T) {
	p := newPlant(t, 2)
	unit := alerts.Doubt{Notice: reading.Notice{Kind: "unit", Device: "D-01", At: start.Add(-time.Hour), Words: "grows 60 times too fast", Evidence: "60 in 1 h"}, Try: "put the unit right"}
	doubts := func(d ...alerts.Doubt) alerts.Collector {
		return alerts.Collector{Now: checksClock, Doubts: d, DoubtsKnown: true}
	}
	unknown := unit
	unknown.Device = "nobody"
	require.Empty(t, p.collector(0, doubts(unit, unknown)), "a suspicion may end at once")
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.collector(30*time.Minute, doubts(unit, unknown))))
	r := p.one()
	require.Equal(t, []any{alarm.DoubtfulData, "D-01", "P-01", alarm.Low, "gateway_owner"}, []any{r.Type, r.Device, r.Point, r.Priority, r.Owner})
	require.Equal(t, "grows 60 times too fast (60 in 1 h)", r.Detail)
	require.Contains(t, r.Response, "Look at what is doubted: put the unit right.")
	require.Contains(t, r.Response, "When it is put right: run what was kept aside and what came since again with dwindle replay --kept --from 2027-01-03.")

	for range 4 {
		require.Empty(t, p.collector(time.Hour, alerts.Collector{Now: checksClock}), "not asked for: it stays")
	}
	require.Empty(t, p.collector(time.Hour, doubts()))
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.collector(30*time.Minute, doubts())))
	require.Empty(t, p.rows(), "nobody has to look at a doubt that is over")
}
