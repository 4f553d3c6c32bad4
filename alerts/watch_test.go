package alerts_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/collector/reading"
	"dwindle/forecast"
)

func TestRestartAnnouncesNothingAgain(t *testing.T) {
	p := newPlant(t, 6)
	soon(p, 1, 0.3, 9)
	p.states[2].Delivery.Verdict, p.states[2].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.look(0)
	p.look(day)
	require.Len(t, p.rows(), 2)
	require.NoError(t, p.watch.Acknowledge(t.Context(), "A-00001", "kim", "on my round", p.at))
	before := p.rows()
	for range 3 {
		p.restart()
		require.Empty(t, notices(p.look(0)))
		require.Equal(t, before, p.rows())
		require.Empty(t, p.look(0), "what did not change is not written")
	}
	// The next occurrence goes on counting.
	p.states[3].Delivery.Verdict, p.states[3].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.look(day)
	p.restart()
	p.look(day)
	var ids []string
	for _, r := range p.rows() {
		ids = append(ids, r.ID)
	}
	require.ElementsMatch(t, []string{"A-00001", "A-00002", "A-00003"}, ids, "a delay that was half over goes on after the restart")
}

func TestConditionThatEndedWhileDownReturnsAfterwards(t *testing.T) {
	p := newPlant(t, 6)
	p.look(0)
	p.look(14*time.Hour, "D-02")
	p.restart()
	p.look(5 * time.Minute)
	p.restart()
	require.Equal(t, []alarm.Notice{alarm.Return}, notices(p.look(5*time.Minute)))
}

func TestFailedWriteChangesNothing(t *testing.T) {
	p := newPlant(t, 2)
	p.states[1].Delivery.Verdict, p.states[1].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.look(0)
	p.at = p.at.Add(day)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := p.watch.Evaluate(gone, p.fleet(), p.src)
	require.Error(t, err)
	require.Empty(t, p.watch.Rows())
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(0)), "told once it is on disk")
}

func TestEvaluateIsTheSameForTheSamePass(t *testing.T) {
	run := func() ([]alarm.Row, []alarm.Transition) {
		p := newPlant(t, 6)
		soon(p, 1, 0.3, 9)
		p.states[2].Delivery.Verdict, p.states[2].Delivery.Ratio = forecast.Under, ptr(0.5)
		var all []alarm.Transition
		for range 5 {
			all = append(all, p.look(day, "D-04")...)
		}
		return p.rows(), all
	}
	rows, moves := run()
	again, movesAgain := run()
	require.Equal(t, rows, again)
	require.Equal(t, moves, movesAgain)
	require.NotEmpty(t, moves)
}

func TestDecisions(t *testing.T) {
	ctx := t.Context()
	p := newPlant(t, 2)
	p.states[1].Delivery.Verdict, p.states[1].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.look(0)
	p.look(day)
	id := p.one().ID

	require.NoError(t, p.watch.Acknowledge(ctx, id, "kim", "will look", p.at))
	r := p.one()
	require.Equal(t, alarm.Acknowledged, r.State)
	require.Equal(t, []string{"kim", "will look"}, []string{r.AcknowledgedBy, r.AcknowledgeNote})
	require.NoError(t, p.watch.WithdrawAck(ctx, id, "kim", "wrong row", p.at))
	require.Equal(t, alarm.Unacknowledged, p.one().State)

	until := p.at.Add(3 * day)
	require.NoError(t, p.watch.Shelve(ctx, id, "ada", "fitting ordered", until, p.at))
	r = p.one()
	require.Equal(t, alarm.Shelved, r.State)
	require.Equal(t, until, *r.ShelvedUntil)
	require.Equal(t, []string{"ada", "fitting ordered"}, []string{r.ShelvedBy, r.ShelveReason})
	require.Empty(t, notices(p.look(2*day)))
	require.Equal(t, []alarm.Notice{alarm.Announce}, notices(p.look(day)), "the shelving ended and it is still there")
	next := p.one().ID
	require.NotEqual(t, id, next)

	var refused *alarm.RefusedError
	require.ErrorAs(t, p.watch.Acknowledge(ctx, id, "kim", "", p.at), &refused, "an acknowledgement belongs to one occurrence")
	require.ErrorAs(t, p.watch.Acknowledge(ctx, "", "kim", "", p.at), &refused)
	require.NoError(t, p.watch.Shelve(ctx, next, "ada", "again", p.at.Add(day), p.at))
	require.NoError(t, p.watch.Unshelve(ctx, next, "ada", "came early", p.at))

	log, err := p.ledger.Logbook(ctx, "P-02", 0)
	require.NoError(t, err)
	var actions []string
	for _, e := range log {
		actions = append(actions, e.Actor+" "+e.Action+": "+e.Before+" -> "+e.After+" ("+e.Reason+")")
	}
	require.Equal(t, []string{
		"ada unshelved: A-00002 under_delivery shelved -> unacknowledged (came early)",
		"ada shelved: A-00002 under_delivery unacknowledged -> shelved (again)",
		"ada shelved: A-00001 under_delivery unacknowledged -> shelved (fitting ordered)",
		"kim acknowledgement withdrawn: A-00001 under_delivery acknowledged -> unacknowledged (wrong row)",
		"kim acknowledged: A-00001 under_delivery unacknowledged -> acknowledged (will look)",
	}, actions)

	history, err := p.ledger.Rows(ctx, ledger.Filter{History: true})
	require.NoError(t, err)
	require.Len(t, history, 3)
	for _, old := range history {
		if old.ID != p.one().ID {
			require.Equal(t, alarm.Normal, old.State)
			require.NotNil(t, old.Ended)
			require.Equal(t, "shelving ended and the condition is still there", old.EndReason)
		}
	}
}

func TestReservoirChangesStandInTheLogbookOnce(t *testing.T) {
	p := newPlant(t, 2)
	p.states[1].LastChange = &reading.Fact{ID: "f-1", Kind: reading.FactChange, Point: "P-02", At: start.Add(-time.Hour), By: "kim", VolumeCM3: ptr(120.0), ResidualCM3: ptr(14.2), Note: "fitting cleaned"}
	p.look(0)
	p.look(time.Hour)
	p.restart()
	p.look(time.Hour)
	log, err := p.ledger.Logbook(t.Context(), "P-02", 0)
	require.NoError(t, err)
	require.Len(t, log, 1)
	log[0].Seq = 0
	require.Equal(t, ledger.Entry{
		At: start.Add(-time.Hour), Actor: "kim", Action: "reservoir changed", Object: "P-02",
		Before: "14.2 cm³ left", After: "new reservoir with 120 cm³", Reason: "fitting cleaned",
	}, log[0])
}

func TestPointGoneFromTheRegister(t *testing.T) {
	p := newPlant(t, 2)
	p.states[1].Delivery.Verdict, p.states[1].Delivery.Ratio = forecast.Under, ptr(0.5)
	p.look(0)
	p.look(day)
	p.states = p.states[:1]
	moves := p.look(day)
	require.Len(t, moves, 1)
	require.Equal(t, alarm.Deleted, moves[0].Trigger)
	require.Empty(t, p.rows())
	require.Empty(t, p.look(day))
}

func TestPrompts(t *testing.T) {
	p := newPlant(t, 4)
	p.look(0)
	soon(p, 1, 0.3, 9)
	p.states[2].Row.Withheld = "only 3 days of data"
	p.states[2].Row.Notices = []string{"the level rose to 120 cm3 on 2 Jan without a recorded change: record it with `dwindle change`"}
	p.states[3].Device = ""
	p.states[3].Setting = nil
	p.states[0].Row.FillStarted = ptr(start.AddDate(0, -12, 10))
	prompts, err := alerts.Prompts(t.Context(), p.site, p.fleet(), p.src)
	require.NoError(t, err)
	var texts []string
	for _, pr := range prompts {
		texts = append(texts, string(pr.Kind)+" "+pr.Text)
	}
	require.Equal(t, []string{
		"change_due change the reservoir of P-02 (Head bearing) by 12 Jan 2027, likely empty 11 Jan 2027; next visit 24 Jan 2027 (30 % that it is empty before)",
		"change_due change the reservoir of P-01 by 14 Jan 2027 although it is not empty: 12 months are its longest stay",
		"evidence no forecast for P-03 (Head bearing): only 3 days of data",
		"evidence P-03 (Head bearing): the level rose to 120 cm3 on 2 Jan without a recorded change: record it with `dwindle change`",
		"register P-04 (Head bearing) has no dispenser in the register",
	}, texts)
	require.Empty(t, p.rows(), "prompts are never alarms")
}

// passes keeps when passes began; Loop runs them in another goroutine.
type passes struct {
	mu sync.Mutex
	at []time.Duration
}

func (p *passes) add(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.at = append(p.at, d)
}

func (p *passes) all() []time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.at)
}

func TestLoop(t *testing.T) {
	p := newPlant(t, 1)
	t.Run("at once, every so often, and once after a burst", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			trigger := make(chan struct{})
			began := time.Now()
			var seen passes
			done := make(chan error)
			go func() {
				done <- p.watch.Loop(ctx, 5*time.Minute, trigger, func(context.Context) error {
					seen.add(time.Since(began))
					return nil
				})
			}()
			time.Sleep(time.Minute)
			for range 100 {
				trigger <- struct{}{}
			}
			synctest.Wait()
			require.Equal(t, []time.Duration{0}, seen.all())
			time.Sleep(3 * time.Second)
			synctest.Wait()
			burst := time.Minute + 2*time.Second
			require.Equal(t, []time.Duration{0, burst}, seen.all())
			close(trigger)
			time.Sleep(10 * time.Minute)
			synctest.Wait()
			require.Equal(t, []time.Duration{0, burst, burst + 5*time.Minute, burst + 10*time.Minute}, seen.all())
			cancel()
			require.ErrorIs(t, <-done, context.Canceled)
		})
	})
	t.Run("long passes leave the processor to others", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			trigger := make(chan struct{}, 1)
			began := time.Now()
			var seen passes
			done := make(chan error)
			go func() {
				done <- p.watch.Loop(ctx, time.Hour, trigger, func(context.Context) error {
					seen.add(time.Since(began))
					time.Sleep(10 * time.Second)
					trigger <- struct{}{}
					return nil
				})
			}()
			time.Sleep(205 * time.Second)
			synctest.Wait()
			require.Equal(t, []time.Duration{0, 100 * time.Second, 200 * time.Second}, seen.all())
			cancel()
			require.ErrorIs(t, <-done, context.Canceled)
		})
	})
	t.Run("ends with the first error", func(t *testing.T) {
		failed := errors.New("no more")
		require.ErrorIs(t, p.watch.Loop(t.Context(), time.Hour, nil, func(context.Context) error { return failed }), failed)
	})
}

// BenchmarkEvaluate is a day of a fleet with a few open alarms. ns/point is
// the figure to look at.
func BenchmarkEvaluate(b *testing.B) {
	for _, points := range []int{30, 1000} {
		b.Run(fmt.Sprintf("%d points", points), func(b *testing.B) {
			p := newPlant(b, points)
			for i := 0; i < points; i += 20 {
				p.states[i].Delivery.Verdict, p.states[i].Delivery.Ratio = forecast.Under, ptr(0.5)
			}
			b.ReportAllocs()
			for b.Loop() {
				p.look(day)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*points), "ns/point")
		})
	}
}
