package alerts_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/config"
)

func TestDispenserSilent(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	require.Empty(t, p.look(11*time.Hour, "D-02"), "three intervals of 4 h are not over")
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(2*time.Hour, "D-02")))
	r := p.one()
	require.Equal(t, alarm.NoTelemetry, r.Type)
	require.Equal(t, []string{"D-02", "P-02", "gateway_owner"}, []string{r.Device, r.Point, r.Owner})
	require.Equal(t, []any{13.1, 12.0, "h"}, []any{r.Value, r.Limit, r.Unit})
	require.Equal(t, "dispenser D-02 silent since 4 Jan 2027 06:55 (13 h); expected within 12 h", r.Detail)
	require.Equal(t, start.Add(-5*time.Minute+12*time.Hour), r.Since, "it began when the limit was over")
	require.Contains(t, r.Response, "Look at the health page: are other devices behind GW-1 (Silo roof) silent too?")
	require.Contains(t, r.Response, "If it stays silent: read what is left at the point by eye before 15 Mar 2027 and record it.")

	require.Empty(t, p.look(time.Hour), "one message is none")
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Hour)))
}

func TestLearnedIntervalCounts(t *testing.T) {
	p := newPlant(t, 6)
	p.src.every["D-02"] = 24 * time.Hour
	p.look(0)
	p.look(2*day, "D-02")
	require.Empty(t, p.rows())
	p.look(2*day, "D-02")
	require.Equal(t, 72.0, p.one().Limit)
}

func TestPriorityOfSilenceRisesAsTheEmptyDateNears(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	today := p.site.Today(start)
	p.look(14*time.Hour, "D-01")
	require.Equal(t, alarm.Low, p.one().Priority)
	*p.states[0].Row.EmptyP10 = today + 5
	require.Equal(t, []alarm.Notice{alarm.Escalate}, notices(p.look(time.Hour, "D-01")))
	require.Equal(t, alarm.Medium, p.one().Priority)
	require.Equal(t, "medium: silence can hide an empty reservoir at P-01, criticality A, 4 days to its early empty date", p.one().PriorityReason)
	*p.states[0].Row.EmptyP10 = today + 2
	p.look(time.Hour, "D-01")
	require.Equal(t, alarm.High, p.one().Priority)

	// A forecast that is withheld for lack of messages keeps the date.
	actBy := *p.one().ActBy
	p.states[0].Row.Withheld = "no telemetry"
	p.look(time.Hour, "D-01")
	require.Equal(t, actBy, *p.one().ActBy)
	require.Equal(t, alarm.High, p.one().Priority)
}

func TestRunSignalSilent(t *testing.T) {
	p := newPlant(t, 6)
	for i := range 3 {
		p.site.Points[i].Machine = "M-01"
		p.states[i].Row.Machine = "M-01"
	}
	p.look(0)
	p.look(2*time.Hour, "M-01")
	r := p.one()
	require.Equal(t, "M-01", r.Device)
	require.Equal(t, []string{"P-01", "P-02", "P-03"}, r.Children)
	require.Empty(t, r.Point)
	require.Contains(t, r.Detail, "run signal of M-01 (Bucket elevator) silent since")
	require.Contains(t, r.Consequence, "P-01, P-02, P-03 cannot be watched")
}

func TestNeverHeardOfIsAPromptNotAnAlarm(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	delete(p.src.seen, "D-02")
	p.look(10*day, "D-02")
	require.Empty(t, p.rows())
	prompts, err := alerts.Prompts(t.Context(), p.site, p.fleet(), p.src)
	require.NoError(t, err)
	require.Len(t, prompts, 1)
	require.Equal(t, alarm.Prompt{
		Kind: alarm.PromptCommission, Point: "P-02", Device: "D-02", Owner: "gateway_owner",
		Text: "D-02 was never heard of: check its topic, or take it into service",
	}, prompts[0])
}

func TestMachineWithoutRunSignalIsNotMissed(t *testing.T) {
	p := newPlant(t, 6)
	p.site.Machines[1].RunSignal = ptr(false)
	p.look(0)
	p.look(10*day, "M-02")
	require.Empty(t, p.rows())
}

func TestGatewayStandsForItsDevices(t *testing.T) {
	p := newPlant(t, 5)
	p.look(0)
	all := []string{"M-01", "M-02", "M-03", "M-04", "M-05", "D-01", "D-02", "D-03", "D-04", "D-05"}
	moves := p.look(14*time.Hour, all...)
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(moves), "one cause, one alarm")
	rows := p.rows()
	require.Len(t, rows, 11)
	g := rows[0]
	require.Equal(t, alarm.GatewaySilent, g.Type)
	require.Equal(t, "GW-1", g.Gateway)
	require.Equal(t, alarm.Medium, g.Priority)
	require.Equal(t, []any{10.0, 3.0, "{device}"}, []any{g.Value, g.Limit, g.Unit})
	require.Len(t, g.Children, 10)
	require.Equal(t, "10 of 10 devices behind GW-1 silent, the last heard 4 Jan 2027 06:55", g.Detail)
	require.Contains(t, g.Consequence, "P-01, P-02, P-03, P-04, P-05 cannot be watched until GW-1 (Silo roof) is back")
	for _, r := range rows[1:] {
		require.Equal(t, alarm.NoTelemetry, r.Type)
		require.Equal(t, alarm.SuppressedByDesign, r.State)
		require.Nil(t, r.Announced)
	}

	// All come back but one, which then is its own alarm, told once the
	// gateway's is over.
	p.look(time.Hour, "D-02")
	moves = p.look(time.Hour, "D-02")
	require.Contains(t, notices(moves), alarm.Return)
	p.look(time.Hour, "D-02")
	var listed []string
	for _, r := range p.rows() {
		listed = append(listed, fmt.Sprintf("%s %s%s", r.State, r.Gateway, r.Device))
	}
	require.Equal(t, []string{"returned_unacknowledged GW-1", "unacknowledged GW-1D-02"}, listed)
}

func TestDevicesThatDiedOneByOneAreNoGatewaysFault(t *testing.T) {
	p := newPlant(t, 10)
	p.look(0)
	p.look(5*day, "D-01")
	p.look(5*day, "D-01", "D-02")
	p.look(5*day, "D-01", "D-02", "D-03")
	p.look(5*day, "D-01", "D-02", "D-03", "D-04")
	for _, r := range p.rows() {
		require.Equal(t, alarm.NoTelemetry, r.Type)
		require.NotEqual(t, alarm.SuppressedByDesign, r.State)
	}
	require.Len(t, p.rows(), 4)
}

func TestOneSilentDeviceOfTwoIsItsOwnAlarm(t *testing.T) {
	p := newPlant(t, 1)
	p.look(0)
	p.look(14*time.Hour, "D-01")
	require.Equal(t, alarm.NoTelemetry, p.one().Type)
}

func TestGatewayWithAnUrgentPointIsHigh(t *testing.T) {
	p := newPlant(t, 5)
	*p.states[0].Row.EmptyP10 = p.site.Today(start) + 2
	p.look(0)
	p.look(14*time.Hour, "M-01", "M-02", "M-03", "D-01", "D-02")
	g := p.rows()[0]
	require.Equal(t, alarm.GatewaySilent, g.Type)
	require.Equal(t, alarm.High, g.Priority)
	require.Equal(t, "high: P-01 of criticality A is behind it, 27 h to its early empty date", g.PriorityReason)
}

func TestSwappedDispenserLeavesNoAlarmBehind(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	p.look(14*time.Hour, "D-02")
	require.Equal(t, "D-02", p.one().Device)
	p.site.Dispensers = append(p.site.Dispensers, config.Dispenser{ID: "D-99", Point: "P-02", Every: 4 * time.Hour})
	require.NoError(t, p.site.Reindex())
	p.states[1].Device = "D-99"
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(time.Hour, "D-02")))
	require.Empty(t, p.rows())
}
