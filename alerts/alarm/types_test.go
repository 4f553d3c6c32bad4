package alarm_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/config"
)

// A type without a response, an owner or the other columns of the master table
// must not be raised at all.
func TestMasterTableIsComplete(t *testing.T) {
	all := alarm.Definitions()
	require.Len(t, all, 10)
	seen := map[alarm.Type]bool{}
	for _, d := range all {
		t.Run(string(d.Type), func(t *testing.T) {
			require.False(t, seen[d.Type], "defined twice")
			seen[d.Type] = true
			for column, text := range map[string]string{
				"title": d.Title, "purpose": d.Purpose, "class": d.Class, "consequence": d.Consequence, "owner": d.Owner,
				"respond in": d.RespondIn, "priority": d.Priority, "inputs": d.Inputs, "evidence": d.MinEvidence,
				"set": d.SetAt, "clear": d.ClearAt, "test": d.Test,
			} {
				require.NotEmpty(t, text, column)
			}
			require.GreaterOrEqual(t, len(d.Cause), 2, "causes, likeliest first")
			require.GreaterOrEqual(t, len(d.Response), 3, "steps")
			if d.Type != alarm.CollectorTrouble { // answered at a desk
				require.NotEmpty(t, d.Cautions, "every other response leads people to machines")
			}
			require.Contains(t, []string{alarm.Technician, alarm.Reliability, alarm.GatewayOwner}, d.Owner)
			require.Positive(t, d.Delays.On)
			require.Positive(t, d.Delays.Off)
			for _, r := range d.Suppress {
				require.NotEqual(t, string(r), r.Words(), "rule %s has no words", r)
			}
			if d.Parent != "" {
				_, ok := alarm.Lookup(d.Parent)
				require.True(t, ok)
				require.Contains(t, d.Suppress, alarm.ParentSilent)
			}
			// Rule D2 must never hide these.
			if d.Type == alarm.NoTelemetry || d.Type == alarm.GatewaySilent {
				require.NotContains(t, d.Suppress, alarm.MachineDown)
			}
			// With nothing known, every text still reads as a sentence.
			cause, consequence, response := d.Texts(nil)
			for _, text := range append(response, cause, consequence) {
				require.NotContains(t, text, "{")
				require.NotContains(t, text, "  ")
				require.NotContains(t, text, " ,")
				require.Equal(t, strings.ToUpper(text[:1]), text[:1])
			}
		})
	}
}

// Whoever opens a line under pressure is told so before the first step.
func TestCautionsComeFirst(t *testing.T) {
	for _, kind := range []alarm.Type{alarm.UnderDelivery, alarm.OverDelivery, alarm.RunWithoutDose, alarm.EmptyBeforeVisit} {
		d, ok := alarm.Lookup(kind)
		require.True(t, ok)
		require.Subset(t, d.Cautions, []alarm.Caution{alarm.Rotating, alarm.Pressure, alarm.Injection, alarm.Hot, alarm.Dust})
		_, _, response := d.Texts(nil)
		for i := range d.Cautions {
			require.True(t, strings.HasPrefix(response[i], "Caution. "))
		}
	}
}

func TestFill(t *testing.T) {
	values := map[string]string{"point": "P-7 {machine}", "empty": ""}
	require.Equal(t, "at P-7 {machine}, the machine", alarm.Fill("at {point}, {machine}", values), "values are not filled again")
	require.Equal(t, "the point {", alarm.Fill("{point} {", nil))
	require.Equal(t, "", alarm.Fill("{nothing}", nil))
	require.Equal(t, "plain", alarm.Fill("plain", nil))
}

// The table of priorities by criticality and time left.
func TestByTime(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		criticality config.Criticality
		left        time.Duration
		want        alarm.Priority
	}{
		{"C", 15 * day, ""}, {"C", 14 * day, "low"}, {"C", 3 * day, "low"}, {"C", 2 * day, "low"}, {"C", 23 * time.Hour, "medium"},
		{"B", 15 * day, ""}, {"B", 14 * day, "low"}, {"B", 3 * day, "low"}, {"B", 2 * day, "medium"}, {"B", 23 * time.Hour, "high"},
		{"A", 15 * day, "low"}, {"A", 14 * day, "medium"}, {"A", 3 * day, "medium"}, {"A", 2 * day, "high"}, {"A", -day, "high"},
		{"", 2 * day, "medium"},
	} {
		got, asks := alarm.ByTime(c.criticality, c.left)
		require.Equal(t, c.want, got, "%s %s", c.criticality, c.left)
		require.Equal(t, c.want != "", asks)
	}
}

func TestSortRows(t *testing.T) {
	row := func(id string, s alarm.State, p alarm.Priority, days int) alarm.Row {
		return alarm.Row{ID: id, State: s, Priority: p, Since: start.AddDate(0, 0, days)}
	}
	rows := []alarm.Row{
		row("shelved", alarm.Shelved, alarm.High, 0),
		row("low", alarm.Unacknowledged, alarm.Low, 0),
		row("high acked", alarm.Acknowledged, alarm.High, 0),
		row("high new", alarm.Unacknowledged, alarm.High, 3),
		row("medium late", alarm.Unacknowledged, alarm.Medium, 2),
		row("medium early", alarm.Unacknowledged, alarm.Medium, 1),
	}
	alarm.SortRows(rows)
	var got []string
	for _, r := range rows {
		got = append(got, r.ID)
	}
	require.Equal(t, []string{"high new", "high acked", "medium early", "medium late", "low", "shelved"}, got)
}
