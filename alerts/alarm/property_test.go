package alarm_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/alerts/alarm"
)

// told counts what people were told of one occurrence.
type told struct{ announced, returned int }

// Whatever happens in whatever order: an occurrence is announced at most once,
// returns at most once and only if it was announced, and nothing about it
// depends on restarts.
func TestAnyOrderOfEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		timing := alarm.DefaultTiming()
		delays := alarm.Delays{
			On: rapid.IntRange(1, 3).Draw(t, "on"), Off: rapid.IntRange(1, 3).Draw(t, "off"),
			Spacing:     time.Duration(rapid.IntRange(0, 3).Draw(t, "spacing")) * time.Hour,
			NewEvidence: rapid.Bool().Draw(t, "new evidence"),
		}
		a := alarm.Alarm{Key: alarm.Key{Type: alarm.OverDelivery, Subject: "P-1"}}
		at, ids := start, 0
		people := map[string]*told{}
		of := func(id string) *told {
			if people[id] == nil {
				people[id] = &told{}
			}
			return people[id]
		}
		steps := rapid.IntRange(1, 60).Draw(t, "steps")
		for range steps {
			at = at.Add(time.Duration(rapid.IntRange(0, 100).Draw(t, "hours")) * time.Hour)
			newID := fmt.Sprintf("o%d", ids)
			var r alarm.Result
			var err error
			switch action := rapid.IntRange(0, 12).Draw(t, "action"); action {
			default:
				o := alarm.Observation{
					Says:      alarm.Says(rapid.IntRange(0, 3).Draw(t, "says")),
					Immediate: rapid.Bool().Draw(t, "immediate"),
					Latching:  rapid.Bool().Draw(t, "latching"),
					Episode:   rapid.SampledFrom([]string{"", "", "x"}).Draw(t, "episode"),
					Priority:  rapid.SampledFrom([]alarm.Priority{alarm.Low, alarm.Medium, alarm.High}).Draw(t, "priority"),
					Evidence:  at, Seen: alarm.Seen{Unit: "1"},
				}
				if rapid.IntRange(0, 3).Draw(t, "suppress") == 0 {
					o.Rules = []alarm.Rule{rapid.SampledFrom([]alarm.Rule{alarm.PlannedDown, alarm.MachineDown}).Draw(t, "rule")}
				}
				r = alarm.Step(a, o, delays, timing, at, newID)
				// A step depends on what is stored, and on nothing else.
				text, merr := json.Marshal(a)
				require.NoError(t, merr)
				var stored alarm.Alarm
				require.NoError(t, json.Unmarshal(text, &stored))
				require.Equal(t, r, alarm.Step(stored, o, delays, timing, at, newID))
			case 7:
				r, err = alarm.Acknowledge(a, "kim", "", at)
			case 8:
				r, err = alarm.Withdraw(a, "kim", "", at)
			case 9:
				r, err = alarm.Shelve(a, "kim", "why", at.Add(time.Duration(rapid.IntRange(1, 72).Draw(t, "shelve"))*time.Hour), rapid.Bool().Draw(t, "once"), timing, at)
			case 10:
				r, err = alarm.Unshelve(a, "kim", "", at, newID)
			case 11:
				r, err = alarm.Reset(a, "kim", "", at)
			case 12:
				if a.OutOfService == nil {
					r, err = alarm.TakeOut(a, alarm.Order{Number: "1", By: "kim", Reason: "why"}, at)
				} else {
					r, err = alarm.PutBack(a, "kim", "tested", at, newID)
				}
			}
			if err != nil {
				var refused *alarm.RefusedError
				require.ErrorAs(t, err, &refused)
				continue
			}
			from := a.State()
			for _, m := range r.Transitions {
				p := of(m.Occurrence)
				switch m.Notice {
				case alarm.Announce:
					p.announced++
					require.Equal(t, alarm.Unacknowledged, m.To, "what is announced is unacknowledged")
				case alarm.Return:
					p.returned++
				case alarm.Escalate:
					require.Positive(t, p.announced, "nobody is reminded of what they were not told")
				}
				require.LessOrEqual(t, p.announced, 1, "%s announced once", m.Occurrence)
				require.LessOrEqual(t, p.returned, p.announced, "%s returns once, if announced", m.Occurrence)
			}
			if len(r.Transitions) > 0 {
				require.Equal(t, from, r.Transitions[0].From)
				require.Equal(t, r.Alarm.State(), r.Transitions[len(r.Transitions)-1].To)
			}
			for i := 1; i < len(r.Transitions); i++ {
				if r.Transitions[i].Occurrence == r.Transitions[i-1].Occurrence {
					require.Equal(t, r.Transitions[i-1].To, r.Transitions[i].From, "no step is skipped")
				}
			}
			if r.Alarm.Occurrence != a.Occurrence {
				require.Equal(t, newID, r.Alarm.Occurrence)
				require.Nil(t, r.Alarm.Acknowledged, "an acknowledgement belongs to one occurrence")
				if a.Occurrence != "" {
					require.NotNil(t, r.Closed)
					require.Equal(t, a.Occurrence, r.Closed.Occurrence)
					require.False(t, r.Closed.Open())
				}
				ids++
			}
			a = r.Alarm
			if a.Unacked {
				require.True(t, a.Announcing(), "only what was announced waits for an acknowledgement")
			}
			require.False(t, a.Condition && a.Latched)
			require.Equal(t, a.Condition, a.Occurrence != "" && a.Ended.IsZero(), "open means not ended")
		}
		// At last the condition goes away and nothing hides it: whatever was
		// announced has returned or gave way to a newer occurrence.
		for range 8 {
			at = at.Add(200 * time.Hour)
			a = alarm.Step(a, alarm.Observation{Says: alarm.Clear, Evidence: at, Episode: a.Episode}, delays, timing, at, "end").Alarm
		}
		require.False(t, a.Condition)
		require.Nil(t, a.Shelved)
	})
}
