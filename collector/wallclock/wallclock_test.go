package wallclock

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var t0 = time.Date(2026, 11, 3, 6, 0, 0, 0, time.UTC)

// machine shows a guard its clock: by what it is wrong, at a true time.
type machine struct {
	g      *Guard
	start  time.Time // true time of the start
	err    time.Duration
	synced bool
	boot   string
}

func newMachine(floor time.Time, err time.Duration) *machine {
	return &machine{g: New(floor, Doubt{}), start: t0, err: err, boot: "a"}
}

func (m *machine) look(after time.Duration) Verdict {
	return m.g.Look(Look{Wall: m.start.Add(after + m.err), Up: after, Boot: m.boot, Synced: m.synced})
}

func TestAClockOfATimeServiceIsBelieved(t *testing.T) {
	m := newMachine(t0.AddDate(1, 0, 0), 0) // even against what is stored
	m.synced = true
	v := m.look(0)
	require.Equal(t, Verdict{Now: t0}, v)
	_, doubt := m.g.Doubt()
	require.False(t, doubt)
}

func TestAMachineThatStartsIn1970IsWaitedForAndThenCountsFromTheNewestKnown(t *testing.T) {
	m := newMachine(t0.Add(-time.Hour), 0)
	m.err = time.Unix(30, 0).Sub(t0)
	v := m.look(0)
	require.True(t, v.Hold)
	require.Contains(t, v.Wrong, "1970-01-01")
	require.True(t, m.look(time.Minute).Hold)
	v = m.look(10 * time.Minute)
	require.False(t, v.Hold, "a plant without a time service must not wait for ever")
	require.Equal(t, t0.Add(-time.Hour+10*time.Minute), v.Now)

	// The time service comes at last: the hour is made good.
	m.err, m.synced = 0, true
	v = m.look(20 * time.Minute)
	require.Equal(t, t0.Add(20*time.Minute), v.Now)
	require.Empty(t, v.Wrong)
	require.Equal(t, []Shift{{From: t0.Add(-time.Hour), To: t0.Add(-40 * time.Minute), By: time.Hour}}, v.Shifts)
	require.Empty(t, m.look(21*time.Minute).Shifts, "once")
}

func TestWithoutAnythingKnownAnImpossibleClockIsWaitedForWithoutEnd(t *testing.T) {
	m := newMachine(time.Time{}, 0)
	m.err = time.Unix(30, 0).Sub(t0)
	for _, after := range []time.Duration{0, time.Minute, 100 * time.Hour} {
		require.True(t, m.look(after).Hold, after)
	}
	m.err = 0 // somebody sets it
	v := m.look(101 * time.Hour)
	require.Equal(t, Verdict{Now: t0.Add(101 * time.Hour)}, v)
}

func TestAPlausibleClockThatIsSetLaterIsMended(t *testing.T) {
	for _, wrong := range []time.Duration{-50 * time.Minute, 3 * time.Hour} {
		m := newMachine(t0.AddDate(0, 0, -3), wrong)
		require.Equal(t, t0.Add(wrong), m.look(0).Now)
		require.Empty(t, m.look(time.Hour).Wrong, "nothing shows it")
		m.err, m.synced = 0, true
		v := m.look(2 * time.Hour)
		require.Equal(t, t0.Add(2*time.Hour), v.Now)
		require.Equal(t, []Shift{{From: t0.Add(wrong), To: t0.Add(2*time.Hour + wrong), By: -wrong}}, v.Shifts)
	}
}

func TestAStepBackByItselfIsNotFollowed(t *testing.T) {
	m := newMachine(t0.AddDate(0, 0, -3), 0)
	m.look(0)
	m.err = -time.Hour
	v := m.look(time.Minute)
	require.Equal(t, t0.Add(time.Minute), v.Now)
	require.Contains(t, v.Event, "stepped back by 1h0m0s")
	require.NotEmpty(t, v.Wrong)
	v = m.look(2 * time.Minute)
	require.Equal(t, t0.Add(2*time.Minute), v.Now)
	require.Empty(t, v.Event, "said once")
	m.err = 0
	require.Empty(t, m.look(3*time.Minute).Wrong, "right again")
}

func TestAStepForwardIsFollowedAndMendsOnlyWhatATimeServiceConfirms(t *testing.T) {
	m := newMachine(t0.AddDate(0, 0, -3), -2*time.Hour)
	m.look(0)
	m.err = 0
	v := m.look(time.Hour)
	require.Equal(t, t0.Add(time.Hour), v.Now)
	require.Empty(t, v.Shifts)
	require.Contains(t, v.Event, "stepped forward by 2h0m0s")
	m.look(90 * time.Minute)
	m.synced = true
	v = m.look(2 * time.Hour)
	require.Equal(t, []Shift{{From: t0.Add(-2 * time.Hour), To: t0.Add(-time.Hour), By: 2 * time.Hour}}, v.Shifts)
}

func TestDevicesThatAgreeOverruleAClockThatNobodyKeeps(t *testing.T) {
	hear := func(m *machine, n int, after, off time.Duration) {
		for i := range n {
			m.g.Hear(fmt.Sprintf("%d-%s", i, off), t0.Add(after+off+time.Duration(i)*time.Second), after)
		}
	}
	t.Run("ten years ahead", func(t *testing.T) {
		m := newMachine(t0.AddDate(0, 0, -3), 0)
		m.look(0)
		m.err = 87600 * time.Hour
		require.Equal(t, t0.Add(time.Minute+m.err), m.look(time.Minute).Now)
		hear(m, 4, 2*time.Minute, 0)
		v := m.look(3 * time.Minute)
		require.WithinDuration(t, t0.Add(3*time.Minute), v.Now, 5*time.Second)
		require.NotEmpty(t, v.Wrong)
		require.Len(t, v.Shifts, 1)
		require.Equal(t, t0.Add(time.Minute+m.err), v.Shifts[0].From, "what was stamped before the step stays")
		require.InDelta(t, -m.err.Hours(), v.Shifts[0].By.Hours(), 0.01)
		v = m.look(4 * time.Minute)
		require.Empty(t, v.Shifts, "once")
		require.WithinDuration(t, t0.Add(4*time.Minute), v.Now, 5*time.Second, "the clock is as wrong as before")
		m.err = 0
		require.Empty(t, m.look(5*time.Minute).Wrong, "set right")
	})
	t.Run("behind after a start", func(t *testing.T) {
		m := newMachine(t0.Add(-9*time.Hour), 0)
		m.err = time.Unix(30, 0).Sub(t0)
		m.look(0)
		m.look(5 * time.Minute)
		hear(m, 3, 6*time.Minute, 0)
		v := m.look(7 * time.Minute)
		require.WithinDuration(t, t0.Add(7*time.Minute), v.Now, 5*time.Second)
	})
	for name, c := range map[string]struct {
		n   int
		off time.Duration
	}{"two are too few": {2, 100 * time.Hour}, "an hour may be their zone": {9, time.Hour},
		"a backlog speaks of yesterday with one voice": {9, -100 * time.Hour}, "a clock that could be right": {9, 100 * time.Hour}} {
		t.Run(name, func(t *testing.T) {
			m := newMachine(t0.AddDate(0, 0, -3), 0)
			m.look(0)
			hear(m, c.n, time.Minute, c.off)
			require.Equal(t, Verdict{Now: t0.Add(2 * time.Minute), Ahead: 3 * 24 * time.Hour}, m.look(2*time.Minute))
		})
	}
	t.Run("devices that contradict each other", func(t *testing.T) {
		m := newMachine(t0.AddDate(0, 0, -3), 0)
		m.look(0)
		hear(m, 3, time.Minute, -100*time.Hour)
		hear(m, 3, time.Minute, 300*time.Hour)
		require.Equal(t, t0.Add(2*time.Minute), m.look(2*time.Minute).Now)
	})
}

func TestARestartOfTheProgramGoesOnCounting(t *testing.T) {
	m := newMachine(t0.Add(-time.Hour), 0)
	m.err = time.Unix(30, 0).Sub(t0)
	m.look(0)
	m.look(10 * time.Minute)
	doubt, ok := m.g.Doubt()
	require.True(t, ok)
	m.g = New(t0.Add(-time.Hour+10*time.Minute), doubt)
	require.Equal(t, t0.Add(-time.Hour+11*time.Minute), m.look(11*time.Minute).Now)
	m.err, m.synced = 0, true
	v := m.look(12 * time.Minute)
	require.Equal(t, []Shift{{From: t0.Add(-time.Hour), To: t0.Add(-48 * time.Minute), By: time.Hour}}, v.Shifts)

	m.g = New(t0, doubt)
	m.boot = "b" // the machine was started anew: nothing can be carried over
	m.err, m.synced = -2*time.Hour, false
	require.Equal(t, t0, m.look(13*time.Minute).Now)
}

// A clock that nobody keeps may have come back from a night without power years
// ahead; over restarts of the program that stays in doubt, until somebody tells.
func TestWhatAClockHasGoneForwardUnseenIsInDoubt(t *testing.T) {
	m := newMachine(t0.Add(-time.Hour), 0)
	m.err = 87600 * time.Hour
	require.Equal(t, m.err+time.Hour, m.look(0).Ahead)
	require.Equal(t, t0.Add(m.err+time.Minute), m.look(time.Minute).Now, "it may be right")
	doubt, ok := m.g.Doubt()
	require.True(t, ok)
	m.g = New(t0.Add(m.err), doubt)
	require.Equal(t, 87601*time.Hour, m.look(2*time.Minute).Ahead)
	m.err += time.Hour // a step counts, too
	require.Equal(t, 87602*time.Hour, m.look(3*time.Minute).Ahead)
	m.synced = true
	require.Zero(t, m.look(4*time.Minute).Ahead)

	m = newMachine(t0.Add(-time.Hour), 0)
	m.synced = true
	require.Zero(t, m.look(0).Ahead)
	m.synced = false
	require.Zero(t, m.look(time.Minute).Ahead, "it was right")
}

// Whatever a clock does, while no time service keeps it the time given never
// goes back, but where the devices say so.
func TestTheTimeNeverGoesBackByItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := newMachine(t0, time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "error"))*time.Second)
		latest := t0
		after := time.Duration(0)
		for range 20 {
			after += time.Duration(rapid.SampledFrom([]int{0, 1, 20, 4000}).Draw(t, "wait")) * time.Second
			if rapid.Bool().Draw(t, "step") {
				most := rapid.SampledFrom([]int64{100, 1e7}).Draw(t, "most") // small ones add up
				m.err += time.Duration(rapid.Int64Range(-most, most).Draw(t, "by")) * time.Second
			}
			v := m.look(after)
			if !v.Hold {
				require.False(t, v.Now.Before(latest.Add(-stepLeast)), "%s after %s", v.Now, latest)
				latest = later(latest, v.Now)
			}
			for _, s := range v.Shifts {
				require.True(t, s.To.After(s.From))
			}
		}
	})
}
