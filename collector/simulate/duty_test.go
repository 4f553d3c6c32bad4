package simulate

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
)

func TestMachinesKeepTheCalendar(t *testing.T) {
	p := New(Options{Seed: 11, Healthy: true})
	first, last := p.Dates()
	rested, shut := 0, 0
	for i := range p.machines {
		m := &p.machines[i]
		worked, days := 0.0, 0
		for d := first; d <= last; d++ {
			from, to := d.Start(p.loc), d.End(p.loc)
			h := p.RunHours(m.id, from, to)
			require.GreaterOrEqual(t, h, 0.0)
			require.LessOrEqual(t, h, to.Sub(from).Hours()+1e-6, "%s on %s", m.id, d)
			switch kind := p.site.DayType(m.id, d); {
			case kind == config.ShutdownType:
				require.Zero(t, h, "%s runs in a shutdown on %s", m.id, d)
				shut++
				continue
			case (kind == config.Sunday || kind == config.HolidayType) && (m.use == oneShift || m.use == twoShifts):
				require.Zero(t, h, "%s on %s", m.id, d)
				rested++
			}
			worked += h
			days++
		}
		if m.use != noRun && days > 100 {
			// The plan knows the usual week of years; outages and campaigns
			// scatter within months.
			require.InEpsilon(t, m.perWeek, worked/float64(days)*7, 0.3, m.id)
		}
	}
	require.Positive(t, rested)
	require.Positive(t, shut, "a shutdown lies in the past")
}

func TestShutdownsLieOnBothSides(t *testing.T) {
	for seed := range uint64(5) {
		p := New(Options{Seed: seed, Points: 16})
		s := p.Site()
		require.Len(t, s.Calendar.Shutdowns, 2)
		today := s.Today(p.End())
		require.Less(t, s.Calendar.Shutdowns[0].To, today)
		require.Greater(t, s.Calendar.Shutdowns[0].From, s.Today(p.Start()))
		require.Greater(t, s.Calendar.Shutdowns[1].From, today)
		require.Less(t, s.Calendar.Shutdowns[1].From, today+civil.Date(60))
	}
}

func TestBusierMachineRunsMoreFromThenOn(t *testing.T) {
	for seed := range uint64(5) {
		sick, well := New(Options{Seed: seed}), New(Options{Seed: seed, Healthy: true})
		for _, f := range sick.Faults() {
			if f.Kind != MachineBusier {
				continue
			}
			month := f.Start.AddDate(0, 0, 30)
			before := f.Start.AddDate(0, 0, -30)
			require.InDelta(t, well.RunHours(f.Machine, before, f.Start), sick.RunHours(f.Machine, before, f.Start), 1e-9)
			more := sick.RunHours(f.Machine, f.Start, month) / well.RunHours(f.Machine, f.Start, month)
			require.InDelta(t, f.Size, more, 0.1, "days of 24 h cap it a little")
		}
	}
}

func TestHoursAndStateAgree(t *testing.T) {
	p := New(Options{Seed: 12, Points: 30, Days: 30, Healthy: true})
	for i := range p.machines {
		m := &p.machines[i]
		// Second by second over a day, the state adds up to the counter.
		from := p.dateStart(5)
		run := 0.0
		for sec := from; sec < from+86400; sec++ {
			if m.runningAt(sec) {
				run += 1.0 / 3600
			}
		}
		require.InDelta(t, m.hoursAt(from+86400)-m.hoursAt(from), run, 24.0/3600+1e-9, m.id)
	}
}

func TestLongerIntervalsThinTheMessages(t *testing.T) {
	count := func(every time.Duration) (n int, plant *Plant) {
		plant = New(Options{Seed: 13, Days: 60, ReportEvery: every})
		for range plant.Messages() {
			n++
		}
		return n, plant
	}
	hourly, a := count(time.Hour)
	thin, b := count(6 * time.Hour)
	require.Less(t, thin, hourly/3)
	for _, pt := range a.Site().Points {
		one, _ := a.Truth(pt.ID, a.End())
		other, _ := b.Truth(pt.ID, b.End())
		require.Equal(t, one.RemainingCM3, other.RemainingCM3, "how often is reported does not change what happens")
	}
	for _, d := range b.Site().Dispensers {
		require.GreaterOrEqual(t, d.Every, 6*time.Hour, "the register expects the longer interval")
	}
}

func TestCoarseSensorsHideMore(t *testing.T) {
	hidden := func(step float64) int {
		n := 0
		for seed := range uint64(8) {
			for _, f := range New(Options{Seed: seed, LevelStepPercent: step}).Faults() {
				if !f.Observable && f.Kind != BlockedUnseen {
					n++
				}
			}
		}
		return n
	}
	fine, coarse := hidden(2), hidden(10)
	require.Greater(t, coarse, fine)
	require.LessOrEqual(t, fine, 8, "with fine sensors nearly every fault can be seen")
}

func TestStatesTellEveryStartAndStop(t *testing.T) {
	p := New(Options{Seed: 14, Points: 30, Days: 40, Healthy: true})
	type state struct {
		on    bool
		since time.Time
		first time.Time
		hours float64
		seen  bool
	}
	machines := map[string]*state{}
	for i := range p.machines {
		if m := &p.machines[i]; m.signal == stateOnly && m.use != noRun {
			machines[m.id] = &state{}
		}
	}
	require.NotEmpty(t, machines)
	for m := range p.Messages() {
		device, kind := channelOf(m.Topic)
		s := machines[device]
		if s == nil || kind != "run" {
			continue
		}
		on := strings.Contains(string(m.Payload), `"running":true`)
		if s.seen && s.on {
			s.hours += m.At.Sub(s.since).Hours()
		}
		if !s.seen {
			s.first = m.At
		}
		s.on, s.since, s.seen = on, m.At, true
	}
	for id, s := range machines {
		// Each turn is told to the second.
		require.InDelta(t, p.RunHours(id, s.first, s.since), s.hours, 80.0*2/3600, id)
		require.Positive(t, s.hours)
	}
}
