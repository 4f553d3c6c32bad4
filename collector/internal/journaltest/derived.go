package journaltest

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// alwaysOn gives the hour counter of a machine that never stands, every ten
// minutes.
func alwaysOn(from time.Time, hours int) (rs []reading.Reading) {
	for i := range 6*hours + 1 {
		at := from.Add(time.Duration(i) * 10 * time.Minute)
		rs = append(rs, value("elevator-1", reading.RunHours, at, 100+at.Sub(from).Hours()))
	}
	return rs
}

// zone is that of Site.
func zone() *time.Location {
	loc, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		panic(err) // no zones on this machine: Site, which a store is opened with, has failed for that already
	}
	return loc
}

func days(t testing.TB, s Store, device string, kind reading.Kind, first, last civil.Date) []reading.Day {
	t.Helper()
	out, err := s.Days(t.Context(), device, kind, first, last)
	require.NoError(t, err)
	return slices.Clone(out)
}

func facts(fs ...reading.Fact) journal.Batch {
	b := make(journal.Batch, len(fs))
	for i, f := range fs {
		if f.Received.IsZero() {
			f.Received = f.At.Add(2 * time.Second)
		}
		b[i] = journal.Entry{Facts: []reading.Fact{f}, Person: f.By != ""}
	}
	return b
}

func cm3(v float64) *float64 { return &v }

// derivations are the rows about days, levels, signs of life and facts.
var derivations = []derived{
	{
		name: "nothing is known at first",
		puts: func() []journal.Batch { return nil },
		holds: func(t *testing.T, s Store) {
			a, err := Ask(t.Context(), s)
			require.NoError(t, err)
			for _, d := range a.Days {
				require.Empty(t, d)
			}
			for _, l := range a.Levels {
				require.Empty(t, l)
			}
			require.Equal(t, map[string]Seen{"d-1": {}, "elevator-1": {}, "gw-1": {}}, a.Seen)
			require.Empty(t, a.Facts)
		},
	},
	{
		// Vienna 2026: the clocks are put forward on 29 March and back on 25
		// October; Commission communication 2022/C 135/01 on summer time.
		name: "a civil day is as long as the clocks make it",
		puts: func() []journal.Batch {
			return []journal.Batch{
				batchOf(alwaysOn(civil.New(2026, 3, 27).Start(zone()), 5*24-1)...),
				batchOf(alwaysOn(civil.New(2026, 10, 23).Start(zone()), 5*24+1)...),
			}
		},
		holds: func(t *testing.T, s Store) {
			for month, long := range map[time.Month]map[int]float64{
				time.March:   {27: 24, 28: 24, 29: 23, 30: 24, 31: 24},
				time.October: {23: 24, 24: 24, 25: 25, 26: 24, 27: 24},
			} {
				for day, hours := range long {
					d := civil.New(2026, month, day)
					got := days(t, s, "elevator-1", reading.Run, d, d)
					require.Len(t, got, 1, d)
					require.Equal(t, d, got[0].Date)
					require.InDelta(t, hours, got[0].Amount, 1e-9, d)
					require.InDelta(t, 1, got[0].Seen, 1e-9, d)
				}
			}
			require.Len(t, days(t, s, "elevator-1", reading.Run, civil.New(2026, 3, 28), civil.New(2026, 3, 30)), 3)
			require.Empty(t, days(t, s, "elevator-1", reading.Run, civil.New(2026, 3, 30), civil.New(2026, 3, 28)))
			require.Empty(t, days(t, s, "elevator-1", reading.Pulse, civil.New(2026, 3, 28), civil.New(2026, 3, 30)))
			require.Empty(t, days(t, s, "nobody", reading.Run, civil.New(2026, 3, 28), civil.New(2026, 3, 30)))
		},
	},
	{
		name: "what comes late belongs to the day on which it was",
		puts: func() []journal.Batch {
			all := alwaysOn(t0, 72)
			kept := slices.Clone(all[60:300])
			slices.Reverse(kept) // newest first, as some gateways send
			return []journal.Batch{batchOf(all[:60]...), batchOf(all[300:]...), batchOf(kept[:100]...), batchOf(kept[100:]...)}
		},
		holds: func(t *testing.T, s Store) {
			got := days(t, s, "elevator-1", reading.Run, civil.New(2026, 3, 2), civil.New(2026, 3, 5))
			require.Len(t, got, 4)
			for i, hours := range []float64{17, 24, 24, 7} { // from 07:00 on the 2nd in Vienna
				require.InDelta(t, hours, got[i].Amount, 1e-9)
				require.InDelta(t, hours/24, got[i].Seen, 1e-9)
			}
		},
	},
	{
		name: "pulses of a count and of increments make days",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i := range 49 {
				at := civil.New(2026, 3, 3).Start(zone()).Add(time.Duration(i) * time.Hour)
				rs = append(rs, counted("d-1", reading.PulseCount, at, int64(2*i)), value("d-1", reading.DoseCM3, at, 0.25*float64(i)))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Store) {
			got := days(t, s, "d-1", reading.Pulse, civil.New(2026, 3, 3), civil.New(2026, 3, 4))
			require.Len(t, got, 2)
			require.InDelta(t, 48, got[0].Amount, 1e-9)
			require.InDelta(t, 48, got[1].Amount, 1e-9)
			got = days(t, s, "d-1", reading.Dose, civil.New(2026, 3, 3), civil.New(2026, 3, 4))
			require.Len(t, got, 2)
			require.InDelta(t, 6, got[1].Amount, 1e-9)
		},
	},
	{
		name: "a corrected count counts from then on",
		puts: each(
			counted("d-1", reading.PulseCount, minute(0), 100), counted("d-1", reading.PulseCount, minute(60), 103), counted("d-1", reading.PulseCount, minute(120), 106),
			received(counted("d-1", reading.PulseCount, minute(60), 105), minute(200)), // of the same time, larger
		),
		holds: func(t *testing.T, s Store) {
			got := days(t, s, "d-1", reading.Pulse, civil.New(2026, 3, 2), civil.New(2026, 3, 2))
			require.Len(t, got, 1)
			require.InDelta(t, 6, got[0].Amount, 1e-9)
		},
	},
	{
		name: "the last level of each civil day stands for it",
		puts: func() []journal.Batch {
			midnight := civil.New(2026, 3, 4).Start(zone())
			return []journal.Batch{batchOf(
				value("d-1", reading.LevelCM3, midnight.Add(-2*time.Hour), 90), value("d-1", reading.LevelCM3, midnight, 88),
				value("d-1", reading.LevelPercent, midnight.Add(-3*time.Hour), 75),
			), batchOf(value("d-1", reading.LevelCM3, midnight.Add(-time.Millisecond), 89), value("d-1", reading.LevelCM3, midnight.Add(time.Hour), 87))}
		},
		holds: func(t *testing.T, s Store) {
			midnight := civil.New(2026, 3, 4).Start(zone())
			got, err := s.Levels(t.Context(), "d-1", t0, midnight.Add(30*time.Minute))
			require.NoError(t, err)
			var text []string
			for _, l := range got {
				text = append(text, fmt.Sprint(l.At.Sub(midnight), " ", l.Quantity, " ", l.Value))
			}
			require.Equal(t, []string{"-3h0m0s level.percent 75", "-1ms level.cm3 89", "0s level.cm3 88"}, text)
		},
	},
	{
		name: "a device that only tells its status is heard",
		puts: one(
			value("gw-1", reading.StatusOnline, minute(0), 1), value("gw-1", reading.StatusOnline, minute(7), 0),
			flagged(value("gw-1", reading.StatusOnline, minute(30), 1), reading.Retained),
			value("d-1", reading.StatusEveryS, minute(1), 900),
		),
		holds: func(t *testing.T, s Store) {
			seen, every, ok, err := s.LastSeen(t.Context(), "gw-1", end)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, minute(7), seen, "what the broker replays is no sign of life")
			require.Zero(t, every, "too few to learn from")
			_, _, ok, err = s.LastSeen(t.Context(), "gw-1", minute(0).Add(-time.Millisecond))
			require.NoError(t, err)
			require.False(t, ok)
			seen, every, ok, err = s.LastSeen(t.Context(), "d-1", end)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, minute(1), seen)
			require.Equal(t, 15*time.Minute, every)
		},
	},
	{
		name: "the interval between reports is learned",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i := range 40 {
				rs = append(rs, counted("d-1", reading.PulseCount, minute(5*i), int64(i)))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Store) {
			seen, every, ok, err := s.LastSeen(t.Context(), "d-1", end)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, minute(5*39), seen)
			require.Equal(t, 5*time.Minute, every)
		},
	},
	{
		name: "facts come in the order of their times, with what they say",
		puts: func() []journal.Batch {
			return []journal.Batch{facts(
				reading.Fact{Kind: reading.FactWeighing, Point: "p-1", At: minute(50), By: "mw", Grams: cm3(51.5), Note: "as \"found\",\r\nwith drip ring; ${x} \\ Öl"},
				reading.Fact{ID: "from the device", Kind: reading.FactChange, Device: "d-1", At: minute(10), VolumeCM3: cm3(120), Item: "4711"},
			), facts(
				reading.Fact{Kind: reading.FactFaults, Device: "d-1", At: minute(20), Faults: []string{"blocked", "battery"}},
				reading.Fact{Kind: reading.FactSerial, Device: "d-1", At: minute(20), Serial: hostile[0]},
				reading.Fact{ID: hostile[9], Kind: reading.FactSwap, Point: "p-1", Device: "d-1", OldDevice: "d-0", At: minute(20), By: "mw"},
				reading.Fact{ID: "from the device", Kind: reading.FactChange, Device: "d-1", At: minute(10), VolumeCM3: cm3(120), Item: "4711"}, // again
			)}
		},
		holds: func(t *testing.T, s Store) {
			got, err := s.Facts(t.Context(), end)
			require.NoError(t, err)
			var kinds []reading.FactKind
			for _, f := range got {
				kinds = append(kinds, f.Kind)
				require.Equal(t, f.At.Add(2*time.Second), f.Received)
				require.NotEmpty(t, f.ID)
			}
			require.Len(t, got, 5)
			require.Equal(t, reading.FactChange, kinds[0])
			require.Equal(t, reading.FactWeighing, kinds[4])
			require.Equal(t, "as \"found\",\r\nwith drip ring; ${x} \\ Öl", got[4].Note)
			require.Equal(t, 51.5, *got[4].Grams)
			got, err = s.Facts(t.Context(), minute(20))
			require.NoError(t, err)
			require.Len(t, got, 4)
			got, err = s.Facts(t.Context(), minute(10).Add(-time.Millisecond))
			require.NoError(t, err)
			require.Empty(t, got)
		},
	},
	{
		name: "a correction takes the place of what it corrects",
		puts: func() []journal.Batch {
			return []journal.Batch{
				facts(reading.Fact{ID: "f-1", Kind: reading.FactWeighing, Point: "p-1", At: minute(5), By: "mw", CM3: cm3(80)}),
				facts(reading.Fact{ID: "f-2", Kind: reading.FactWeighing, Point: "p-1", At: minute(5), Received: minute(90), By: "mw", CM3: cm3(60), Corrects: "f-1"}),
				facts(reading.Fact{ID: "f-3", Kind: reading.FactWeighing, Point: "p-1", At: minute(5), Received: minute(91), By: "mw", CM3: cm3(62), Corrects: "f-2"}),
			}
		},
		holds: func(t *testing.T, s Store) {
			got, err := s.Facts(t.Context(), end)
			require.NoError(t, err)
			require.Len(t, got, 1)
			require.Equal(t, "f-3", got[0].ID)
			require.Equal(t, 62.0, *got[0].CM3)
		},
	},
	{
		name: "a change that is reported again within a day is one",
		puts: func() []journal.Batch {
			change := func(at time.Time) reading.Fact {
				return reading.Fact{Kind: reading.FactChange, Device: "d-1", At: at, Content: "c1", VolumeCM3: cm3(120)}
			}
			return []journal.Batch{facts(change(minute(60))), facts(change(minute(0))), facts(change(minute(60 * 30)))}
		},
		holds: func(t *testing.T, s Store) {
			got, err := s.Facts(t.Context(), end)
			require.NoError(t, err)
			require.Len(t, got, 2)
			require.Equal(t, minute(0), got[0].At)
			require.Equal(t, minute(60*30), got[1].At)
		},
	},
	{
		name: "what is in force and only confirmed stays one fact, and is a sign of life",
		puts: func() []journal.Batch {
			setting := func(at time.Time, v float64) reading.Fact {
				return reading.Fact{Kind: reading.FactSetting, Device: "d-1", At: at, Pacing: "pulse", CM3PerPulse: cm3(v)}
			}
			return []journal.Batch{facts(setting(minute(0), 0.5)), facts(setting(minute(60), 0.5)), facts(setting(minute(30), 0.7)), facts(setting(minute(90), 0.5))}
		},
		holds: func(t *testing.T, s Store) {
			got, err := s.Facts(t.Context(), end)
			require.NoError(t, err)
			var text []string
			for _, f := range got {
				text = append(text, fmt.Sprint(f.At.Sub(t0).Minutes(), " ", *f.CM3PerPulse))
			}
			require.Equal(t, []string{"0 0.5", "30 0.7", "60 0.5"}, text)
			seen, _, ok, err := s.LastSeen(t.Context(), "d-1", end)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, minute(90), seen)
		},
	},
	{
		name: "what a person enters is no sign of life of the device",
		puts: func() []journal.Batch {
			return []journal.Batch{
				batchOf(counted("d-1", reading.PulseCount, minute(0), 1)),
				facts(reading.Fact{Kind: reading.FactCountLeft, Point: "p-1", Device: "d-1", At: minute(60), By: "mw", Note: "read off"}),
			}
		},
		holds: func(t *testing.T, s Store) {
			seen, _, ok, err := s.LastSeen(t.Context(), "d-1", end)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, minute(0), seen)
		},
	},
}
