package station

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/calibration"
)

// grownPlant is the plant of these tests; its machines do nothing odd.
func grownPlant() *simulate.Plant {
	return simulate.New(simulate.Options{Seed: 905, Points: 6, Days: 100, ReportEvery: 12 * time.Hour, Healthy: true})
}

// grownJournal is the journal of a station that took in the plant's past, made
// once for all tests.
var grownJournal = sync.OnceValues(func() (file []byte, err error) {
	dir, err := os.MkdirTemp("", "grown-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	ctx, plant := context.Background(), grownPlant()
	site := plant.Site()
	site.Data = dir
	s, err := New(ctx, site, Options{})
	if err != nil {
		return nil, err
	}
	err = s.Record(ctx, plant.Facts()...)
	for m := range plant.Messages() {
		err = errors.Join(err, s.Intake().Submit(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}))
	}
	if err := errors.Join(err, s.Intake().Flush(ctx), s.Close()); err != nil {
		return nil, err
	}
	return os.ReadFile(filepath.Join(dir, journalFile))
})

// grown gives a station on a plant whose past has gone through the intake.
func grown(t *testing.T, opt Options) (*Station, *simulate.Plant) {
	t.Helper()
	file, err := grownJournal()
	require.NoError(t, err)
	plant := grownPlant()
	site := plant.Site()
	site.Data = t.TempDir()
	site.Connections = config.Connections{Prefix: site.Connections.Prefix}
	require.NoError(t, os.WriteFile(filepath.Join(site.Data, journalFile), file, 0o600))
	return begun(t, site, opt), plant
}

// begun starts a station; the test's end closes it if the test has not.
func begun(t *testing.T, site *config.Site, opt Options) *Station {
	t.Helper()
	s, err := New(t.Context(), site, opt)
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// named gives the calibrations that the rows of a pass rest on.
func named(t *testing.T, s *Station, at time.Time) []string {
	t.Helper()
	fleet, err := s.Pass(t.Context(), at)
	require.NoError(t, err)
	return versions(fleet)
}

func versions(fleet forecast.Fleet) []string {
	var out []string
	for i := range fleet.States {
		if v := fleet.States[i].Row.Calibration; v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// check gives the health check of a name, one that is ok where there is none.
func check(s *Station, name string) health.Check {
	for _, c := range s.health.List() {
		if c.Name == name {
			return c
		}
	}
	return health.Check{}
}

func levelOf(s *Station, name string) health.Level { return check(s, name).Level }

func TestAStationForecastsWithWhatItsPastTaught(t *testing.T) {
	s, plant := grown(t, Options{})
	site, end := s.site.Load(), plant.End()
	builtin := calibration.Builtin().Version
	require.Equal(t, []string{builtin}, named(t, s, end))
	require.Equal(t, health.Ok, check(s, checkCalibration).Level)
	require.Contains(t, check(s, checkCalibration).What, builtin)

	early, late := end.AddDate(0, 0, -20), end.AddDate(0, 0, -5)
	first, err := s.Learn(t.Context(), early)
	require.NoError(t, err)
	require.True(t, first.Kept)
	require.Positive(t, first.Series)
	second, err := s.Learn(t.Context(), late)
	require.NoError(t, err)
	require.True(t, second.Kept)
	require.Greater(t, second.Cases, first.Cases, "two weeks more have ended more reservoirs")
	require.NotEqual(t, first.Version, second.Version)

	// Every instant has what was known by its civil day.
	for at, want := range map[time.Time]string{
		early.AddDate(0, 0, -1): builtin, early: first.Version, late.AddDate(0, 0, -1): first.Version, late: second.Version, end: second.Version,
	} {
		require.Equal(t, []string{want}, named(t, s, at), at)
	}
	require.Equal(t, health.Ok, check(s, checkCalibration).Level)
	named(t, s, end)
	require.Contains(t, check(s, checkCalibration).What, second.Version)
	require.Contains(t, check(s, checkCalibration).What, "5 days ago")

	// Readers beside the station find the same.
	v, err := OpenView(t.Context(), site)
	require.NoError(t, err)
	defer v.Close()
	table, doubt, err := v.Calibration(t.Context(), late.AddDate(0, 0, -1))
	require.NoError(t, err)
	require.NoError(t, doubt)
	require.Equal(t, first.Version, table.Version)

	// Old age is a finding.
	named(t, s, late.AddDate(0, 0, staleDays))
	require.Equal(t, health.Ok, check(s, checkCalibration).Level)
	named(t, s, late.AddDate(0, 0, staleDays+1))
	require.Equal(t, health.Warn, check(s, checkCalibration).Level)
	require.Contains(t, check(s, checkCalibration).Try, "--learn")
}

func TestTheSameJournalTeachesTheSame(t *testing.T) {
	s, plant := grown(t, Options{})
	want, err := s.Learn(t.Context(), plant.End())
	require.NoError(t, err)
	require.True(t, want.Kept)
	site := s.site.Load()
	require.NoError(t, s.Close())

	// All that is derived follows anew from the readings.
	j, err := journal.Open(t.Context(), filepath.Join(site.DataDir(), journalFile), journal.Options{})
	require.NoError(t, err)
	require.NoError(t, j.DropDerived(t.Context()))
	require.NoError(t, j.Close())
	// The order in the site file is nothing to learn from.
	slices.Reverse(site.Machines)
	slices.Reverse(site.Dispensers)
	require.NoError(t, site.Reindex())
	s = begun(t, site, Options{})
	require.NoError(t, s.Intake().Flush(t.Context()))
	got, err := s.Learn(t.Context(), plant.End())
	require.NoError(t, err)
	require.False(t, got.Kept, "it is kept already")
	got.Kept = true
	require.Equal(t, want, got)
}

func TestLearningIsDueOnceAWeek(t *testing.T) {
	s, plant := grown(t, Options{})
	site, start := s.site.Load(), plant.End().AddDate(0, 0, -30)
	learned := func(at time.Time) civil.Date {
		require.NoError(t, s.learnIfDue(t.Context(), at))
		c, ok, err := s.journal.Calibration(t.Context(), site.Today(at))
		require.NoError(t, err)
		require.True(t, ok)
		return c.Learned
	}
	first := learned(start)
	require.Equal(t, site.Today(start), first)
	require.Equal(t, first, learned(start.AddDate(0, 0, 2)))
	require.NoError(t, s.Close())
	s = begun(t, site, Options{}) // a start is no reason to learn
	require.Equal(t, first, learned(start.AddDate(0, 0, 3)))
	require.Equal(t, first, learned(start.AddDate(0, 0, 6)))
	require.Equal(t, first+7, learned(start.AddDate(0, 0, 7)))
	require.Equal(t, first+7, learned(start.AddDate(0, 0, 8)))

	// Before the clock is set there is no day to learn on.
	require.NoError(t, s.learnIfDue(t.Context(), time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC)))
	_, ok, err := s.journal.Calibration(t.Context(), civil.New(2019, 12, 31))
	require.NoError(t, err)
	require.False(t, ok)
}

func TestAServingStationLearnsByItself(t *testing.T) {
	var now time.Time
	s, plant := grown(t, Options{Now: func() time.Time { return now }})
	now = plant.End()
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	today := s.site.Load().Today(now)
	var kept journal.Calibration
	require.Eventually(t, func() bool {
		var ok bool
		var err error
		kept, ok, err = s.journal.Calibration(t.Context(), today)
		return err == nil && ok
	}, time.Minute, 20*time.Millisecond)
	require.Equal(t, today, kept.Learned)
	require.Equal(t, now, kept.Stored)

	// Writing verbs ask the process that serves; here it knows already.
	desk, err := OpenDesk(t.Context(), s.site.Load())
	require.NoError(t, err)
	require.IsType(t, &remote{}, desk)
	out, err := desk.Learn(t.Context(), now)
	require.NoError(t, err)
	require.Equal(t, kept.Version, out.Version)
	require.False(t, out.Kept)
	require.Positive(t, out.Cases)
	out, err = desk.Learn(t.Context(), now.AddDate(0, 0, -9))
	require.NoError(t, err)
	require.True(t, out.Kept)
	require.NoError(t, desk.Close())
	stop()
	require.NoError(t, <-ended)
	require.Equal(t, []string{kept.Version}, named(t, s, now))
}

func TestADamagedCalibrationIsToldAndReplaced(t *testing.T) {
	s, plant := grown(t, Options{})
	ctx, end, site := t.Context(), plant.End(), s.site.Load()
	good, err := s.Learn(ctx, end)
	require.NoError(t, err)
	kept, ok, err := s.journal.Calibration(ctx, site.Today(end))
	require.NoError(t, err)
	require.True(t, ok)
	altered := func(change func(*calibration.Table)) []byte {
		table, err := calibration.Read(kept.Body)
		require.NoError(t, err)
		change(table)
		body, err := json.Marshal(table)
		require.NoError(t, err)
		return body
	}
	for name, body := range map[string][]byte{
		"no JSON":         []byte("\x00\x01"),
		"cut off":         kept.Body[:len(kept.Body)/2],
		"another content": altered(func(x *calibration.Table) { x.Cases++ }),
		"another version": altered(func(x *calibration.Table) { x.Version = "2026-01-01-000000" }),
		"no levels":       []byte(`{"version":"` + good.Version + `","learned":"2026-07-01"}`),
	} {
		bad := kept
		bad.Body = body
		require.NoError(t, s.journal.SaveCalibration(ctx, bad), name)
		require.Equal(t, []string{calibration.Builtin().Version}, named(t, s, end), name)
		c := check(s, checkCalibration)
		require.Equal(t, health.Warn, c.Level, name)
		require.Contains(t, c.What, good.Version, name)
		require.Contains(t, c.Try, "--learn", name)
	}
	require.NoError(t, s.learnIfDue(ctx, end))
	require.Equal(t, []string{good.Version}, named(t, s, end))
	require.Equal(t, health.Ok, check(s, checkCalibration).Level)
}

// spent is a context that ends once it has been asked for its end so often.
type spent struct {
	context.Context
	end  context.CancelFunc
	left atomic.Int64
}

func (c *spent) Done() <-chan struct{} {
	if c.left.Add(-1) == 0 {
		c.end()
	}
	return c.Context.Done()
}

func TestLearningStopsWithItsContext(t *testing.T) {
	s, plant := grown(t, Options{})
	ended := func(at time.Time, questions int64) (*spent, error) {
		inner, cancel := context.WithCancel(t.Context())
		defer cancel()
		ctx := &spent{Context: inner, end: cancel}
		ctx.left.Store(questions)
		_, err := s.Learn(ctx, at)
		return ctx, err
	}
	const many = 1 << 40
	whole, err := ended(plant.End().AddDate(0, 0, -30), many)
	require.NoError(t, err)
	all := many - whole.left.Load() // questions
	require.Greater(t, all, int64(6))
	for _, n := range []int64{1, all / 4, all / 2} {
		_, err := ended(plant.End(), n)
		require.ErrorIs(t, err, context.Canceled, n)
	}
	// Also while it waits for another that learns.
	s.learner.turn <- struct{}{}
	ctx, cancel := context.WithCancel(t.Context())
	waiting := make(chan error, 1)
	go func() {
		_, err := s.Learn(ctx, plant.End())
		waiting <- err
	}()
	cancel()
	require.ErrorIs(t, <-waiting, context.Canceled)
	<-s.learner.turn
	kept, ok, err := s.journal.Calibration(t.Context(), s.site.Load().Today(plant.End()))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, s.site.Load().Today(plant.End())-30, kept.Learned)
	require.Equal(t, health.Ok, check(s, checkLearning).Level, "an end is no failure")
}

func TestAFailureToLearnIsTold(t *testing.T) {
	s, plant := grown(t, Options{})
	require.NoError(t, s.journal.Close())
	_, err := s.Learn(t.Context(), plant.End())
	require.Error(t, err)
	c := check(s, checkLearning)
	require.Equal(t, health.Warn, c.Level)
	require.Contains(t, c.What, "could not be learned")
	require.NotEmpty(t, c.Try)
}

// A site of which nothing has ended yet keeps the calibration that it has.
func TestAYoungSiteLearnsNothing(t *testing.T) {
	site, err := config.Load("../../../deploy/example-site.yaml")
	require.NoError(t, err)
	site.Data = t.TempDir()
	s := begun(t, site, Options{})
	at := time.Date(2026, 11, 25, 5, 0, 0, 0, time.UTC)
	out, err := s.Learn(t.Context(), at)
	require.NoError(t, err)
	require.Zero(t, out.Cases)
	require.False(t, out.Kept)
	require.Equal(t, health.Ok, check(s, checkLearning).Level)
	table, doubt, err := inForce(t.Context(), s.journal, site, at)
	require.NoError(t, errors.Join(doubt, err))
	require.False(t, ofSite(table))
}

// Of a large fleet the same part teaches however the site file is sorted, and
// those of which nothing is known take no place.
func TestPartOfALargeFleetTeaches(t *testing.T) {
	at := time.Date(2026, 6, 20, 5, 0, 0, 0, time.UTC)
	site := &config.Site{ID: "riverside", Zone: "UTC", Data: t.TempDir(), Areas: []config.Area{{ID: "quay"}}}
	const silent = 20
	for i := range learnSeries + 100 {
		site.Machines = append(site.Machines, config.Machine{ID: fmt.Sprintf("belt-%03d", i), Area: "quay"})
	}
	require.NoError(t, site.Reindex())
	s := begun(t, site, Options{})
	var batch journal.Batch
	for i := range site.Machines[silent:] {
		for day, hours := range []float64{100, 108, 116} {
			when := at.AddDate(0, 0, day-5)
			batch = append(batch, journal.Entry{Readings: []reading.Reading{{
				Channel: reading.Channel{Device: site.Machines[silent+i].ID, Quantity: reading.RunHours}, At: when, Received: when, FromDevice: true, Value: hours,
			}}})
		}
	}
	_, err := s.journal.Commit(t.Context(), batch)
	require.NoError(t, err)
	names := func() (out []string) {
		list, err := teachers(t.Context(), site, s.history.AsOf(at), at)
		require.NoError(t, err)
		for i := range list {
			require.Less(t, len(list[i].Days), learnDays)
			out = append(out, list[i].Name)
		}
		return out
	}
	want := names()
	require.Len(t, want, learnSeries)
	for i := range silent {
		require.NotContains(t, want, fmt.Sprintf("belt-%03d", i))
	}
	slices.Reverse(site.Machines)
	require.NoError(t, site.Reindex())
	require.Equal(t, want, names())
}
