package results

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// receiver keeps what a database of time series would: points by series and time,
// each with the fields that any line brought.
type receiver struct {
	t      testing.TB
	points map[string]map[string]any
	lines  map[string]int // by measurement
	fail   func() error   // asked before a batch is taken, and after
}

func newReceiver(t testing.TB) *receiver {
	return &receiver{t: t, points: map[string]map[string]any{}, lines: map[string]int{}, fail: func() error { return nil }}
}

func (r *receiver) queue(_ context.Context, lines [][]byte) error {
	if err := r.fail(); err != nil {
		return err
	}
	for _, line := range lines {
		dec := lineprotocol.NewDecoderWithBytes(line)
		require.True(r.t, dec.Next())
		name, err := dec.Measurement()
		require.NoError(r.t, err)
		key := string(name)
		r.lines[key]++
		for {
			tag, value, err := dec.NextTag()
			require.NoError(r.t, err)
			if tag == nil {
				break
			}
			key += fmt.Sprintf(",%s=%s", tag, value)
		}
		fields := map[string]any{}
		for {
			field, value, err := dec.NextField()
			require.NoError(r.t, err)
			if field == nil {
				break
			}
			fields[string(field)] = value.Interface()
		}
		at, err := dec.Time(lineprotocol.Nanosecond, time.Time{})
		require.NoError(r.t, err)
		require.False(r.t, dec.Next(), "a line at a time")
		key += " " + at.UTC().Format(time.RFC3339Nano)
		if r.points[key] == nil {
			r.points[key] = map[string]any{}
		}
		maps.Copy(r.points[key], fields)
	}
	return r.fail()
}

// of gives the points of a measurement, in order.
func (r *receiver) of(measurement string) (out []map[string]any) {
	for _, key := range slices.Sorted(maps.Keys(r.points)) {
		if strings.HasPrefix(key, measurement+",") {
			p := maps.Clone(r.points[key])
			p["key"] = key
			out = append(out, p)
		}
	}
	return out
}

// yard is a site with a past.
type yard struct {
	t       testing.TB
	site    *config.Site
	j       *journal.Journal
	l       *ledger.Ledger
	in      *collector.Intake
	history *collector.History
	end     time.Time
	passes  int
	waiting Waiting
	real    bool // lines go into the journal's queue, too
	*receiver
}

const yardDays = 80

func newYard(t testing.TB, points, days int) *yard {
	t.Helper()
	plant := simulate.New(simulate.Options{Seed: 3, Points: points, Days: days, ReportEvery: 12 * time.Hour})
	y := &yard{t: t, site: plant.Site(), end: plant.End(), receiver: newReceiver(t)}
	ctx := context.Background()
	var err error
	y.j, err = journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"), journal.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, y.j.Close()) })
	_, err = y.j.Outbox(ctx, "here")
	require.NoError(t, err)
	y.l, err = ledger.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, y.l.Close()) })
	site := func() *config.Site { return y.site }
	y.in = collector.NewIntake(site, y.j, health.New(nil), nil)
	run, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- y.in.Run(run) }()
	t.Cleanup(func() { stop(); require.ErrorIs(t, <-ended, context.Canceled) })
	require.NoError(t, y.in.Record(ctx, plant.Facts()...))
	for m := range plant.Messages() {
		require.NoError(t, y.in.Submit(ctx, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}))
	}
	require.NoError(t, y.in.Flush(ctx))
	y.history = collector.NewHistory(y.j, site)
	return y
}

func (y *yard) feeder() *Feeder {
	return New(Options{
		Journal: y.j, Ledger: y.l, Site: func() *config.Site { return y.site }, History: y.history,
		Past: func(_ context.Context, at time.Time) (forecast.Fleet, error) {
			y.passes++
			return y.pass(at), nil
		},
		Queue: func(ctx context.Context, lines [][]byte) error {
			if err := y.queue(ctx, lines); err != nil {
				return err
			}
			if y.real {
				return y.j.QueueLines(ctx, lines)
			}
			return nil
		},
		Look: func(context.Context) (Waiting, error) { return y.waiting, nil },
	})
}

func (y *yard) pass(at time.Time) forecast.Fleet {
	f, err := forecast.Pass(context.Background(), y.site, y.history.AsOf(at), at, forecast.Options{})
	require.NoError(y.t, err)
	return f
}

// another has another receiver named.
func (y *yard) another() {
	for _, name := range append(schema.DailyNames(), schema.Calibrated) {
		require.NoError(y.t, y.j.DropMarks(context.Background(), name))
	}
}

// issue makes the pass of an instant and keeps what it says as issued.
func (y *yard) issue(at time.Time) forecast.Fleet {
	f := y.pass(at)
	var rows []forecast.Row
	for _, s := range f.States {
		rows = append(rows, s.Row)
	}
	body, err := json.Marshal(rows)
	require.NoError(y.t, err)
	require.NoError(y.t, y.j.SaveForecast(context.Background(), y.site.Today(at), at, body))
	return f
}

// steps goes on until nothing waits, and gives how many it took.
func (y *yard) steps(f *Feeder, fleet forecast.Fleet) (n int) {
	y.t.Helper()
	for more := true; more; n++ {
		var err error
		more, err = f.Step(context.Background(), fleet)
		require.NoError(y.t, err)
		require.Less(y.t, n, 200)
	}
	return n
}

func TestEverythingIsHandedOnOnce(t *testing.T) {
	y := newYard(t, 12, yardDays)
	today := y.site.Today(y.end)
	fleet := y.issue(y.end)
	require.NoError(t, y.j.SaveCalibration(t.Context(), journal.Calibration{Version: "v1", Learned: today, Stored: y.end, Body: []byte(`{"a":1}`)}))
	y.real = true
	f := y.feeder()
	y.steps(f, fleet)
	b, ok, err := y.j.Forwarding(t.Context())
	require.NoError(t, err)
	require.True(t, ok)
	require.EqualValues(t, len(y.points), b.Lines)

	// Usage is that of export usage, for complete days.
	want := map[string]export.Usage{}
	require.NoError(t, forecast.Usage(t.Context(), y.site, y.history, today-yardDays, today, func(u export.Usage) error {
		if u.Date < today {
			key := fmt.Sprintf("usage,channel=dispenser,device=%s,site=%s %s", u.Dispenser, y.site.ID, u.Date.Start(y.site.Location()).Format(time.RFC3339Nano))
			if old, ok := want[key]; ok {
				u = together(old, u)
			}
			want[key] = u
		}
		return nil
	}))
	require.Greater(t, len(want), 12*(yardDays-20))
	delivered := 0
	for key, u := range want {
		got := y.points[key]
		require.NotNil(t, got, key)
		require.Equal(t, u.Point, got["point"])
		require.Equal(t, u.Date.String(), got["date"])
		for name, v := range map[string]*float64{"run_hours": u.RunHours, "pulses": u.Pulses, "commanded_cm3": u.CommandedCM3} {
			if v == nil {
				require.NotContains(t, got, name, key)
				require.Contains(t, got["missing"], name)
			} else {
				require.InDelta(t, *v, got[name], 1e-9, key)
			}
		}
		if got["delivered_cm3"] != nil {
			delivered++
		}
	}
	require.Positive(t, delivered)
	machines := 0
	for _, p := range y.of("usage") {
		if strings.Contains(p["key"].(string), "channel=machine") {
			machines++
			require.Contains(t, p, "run_hours")
		}
	}
	require.Equal(t, len(want)+machines, len(y.of("usage")))
	require.Greater(t, machines, yardDays)

	require.Len(t, y.of("register"), len(y.site.Points))
	require.Len(t, y.of("forecast"), len(y.site.Points))
	require.Len(t, y.of("delivery"), len(y.site.Points))
	require.Len(t, y.of("calibration"), 1)
	for i, p := range y.of("delivery") {
		require.NotEmpty(t, p["verdict"], i)
	}
	require.Equal(t, len(y.points), sumOf(y.lines), "each once")

	// Neither later that day, nor after a start, comes any of it again, but for
	// the register.
	before := maps.Clone(y.lines)
	y.steps(f, y.pass(y.end.Add(2*time.Hour)))
	require.Equal(t, before, y.lines)
	y.steps(y.feeder(), fleet)
	before[schema.Register] *= 2
	require.Equal(t, before, y.lines)
}

func sumOf(counts map[string]int) (n int) {
	for _, c := range counts {
		n += c
	}
	return n
}

// hours sends the counter of a machine at a time.
func (y *yard) hours(machine string, at time.Time, hours float64) {
	y.t.Helper()
	require.NoError(y.t, y.in.Submit(context.Background(), reading.Message{
		Topic: "lube/v1/" + y.site.ID + "/" + machine + "/run", Received: at.Add(time.Second), Source: "test",
		Payload: fmt.Appendf(nil, `{"at":%q,"hours":%v}`, at.Format(time.RFC3339), hours),
	}))
	require.NoError(y.t, y.in.Flush(context.Background()))
}

func TestWhatComesLateIsHandedOnAgain(t *testing.T) {
	y := newYard(t, 6, yardDays)
	f := y.feeder()
	y.steps(f, y.issue(y.end))
	today := y.site.Today(y.end)
	machine, readings := "", []reading.Reading(nil)
	for i := range y.site.Machines {
		var list []reading.Reading
		require.NoError(t, y.history.Readings(t.Context(), []string{y.site.Machines[i].ID}, y.end.AddDate(0, 0, -yardDays), y.end, func(r reading.Reading) error {
			if r.Quantity == reading.RunHours {
				list = append(list, r)
			}
			return nil
		}))
		if len(list) > len(readings) {
			machine, readings = y.site.Machines[i].ID, list
		}
	}
	// late tells more of a day some days ago, or of the first after it on which the
	// machine ran: that it ran early in the time between two readings.
	late := func(ago civil.Date) {
		from := (today - ago).Start(y.site.Location())
		for i := 1; i < len(readings); i++ {
			a, b := readings[i-1], readings[i]
			if a.At.Before(from) || b.Value-a.Value < 3 || y.site.Today(a.At.Add(5*time.Hour)) == y.site.Today(b.At) {
				continue
			}
			y.hours(machine, a.At.Add(3*time.Hour), a.Value+3)
			return
		}
		require.Fail(t, "the machine did not run")
	}
	count := func() int { return y.lines[schema.Usage] }

	n := count()
	late(5)
	y.steps(f, y.pass(y.end.Add(30*time.Minute)))
	require.Equal(t, n, count(), "it is looked for once an hour")
	y.steps(f, y.pass(y.end.Add(2*time.Hour)))
	require.Greater(t, count(), n)
	require.Less(t, count(), n+3*len(y.site.Points), "the days that changed, of what has to do with the machine")

	n = count()
	late(70)
	y.steps(f, y.pass(y.end.Add(4*time.Hour)))
	require.Equal(t, n, count())
	fresh := len(y.site.Points) + len(y.site.Machines)
	y.steps(f, y.issue(y.end.AddDate(0, 0, sweepEvery)))
	require.Greater(t, count(), n)
	require.Less(t, count(), n+(sweepEvery+3)*fresh)

	// What the receiver has is what a new one would get.
	same := newReceiver(t)
	y.receiver, same = same, y.receiver
	y.another()
	y.steps(y.feeder(), y.pass(y.end.AddDate(0, 0, sweepEvery)))
	require.Equal(t, y.of("usage"), same.of("usage"))
}

// A crash at any place loses nothing: what was not marked is handed on again.
func TestACrashBetweenLosesNothing(t *testing.T) {
	y := newYard(t, 6, 45)
	var fleet forecast.Fleet
	for day := -1; day <= 0; day++ {
		fleet = y.issue(y.end.AddDate(0, 0, day))
	}
	alarms(t, y.l, 3, y.end)
	y.steps(y.feeder(), fleet)
	want := y.receiver
	y.another()
	crash := errors.New("crash")
	y.receiver = newReceiver(t)
	random, crashes := rand.New(rand.NewPCG(1, 2)), 0
	y.fail = func() error {
		if random.IntN(4) > 0 {
			return nil
		}
		crashes++
		return crash
	}
	f := y.feeder()
	for more, tries := true, 0; more; tries++ {
		require.Less(t, tries, 200)
		var err error
		if more, err = f.Step(t.Context(), fleet); err != nil {
			require.ErrorIs(t, err, crash)
			f, more = y.feeder(), true // it starts anew
		}
	}
	y.fail = func() error { return nil }
	y.steps(y.feeder(), fleet)
	require.Greater(t, crashes, 3)
	for _, name := range schema.DailyNames() {
		require.Equal(t, want.of(name), y.of(name), name)
	}
}

func TestDaysThatWereMissedAreMadeUpFor(t *testing.T) {
	y := newYard(t, 6, 30)
	f := y.feeder()
	y.steps(f, y.issue(y.end.AddDate(0, 0, -4)))
	points := len(y.site.Points)
	require.Equal(t, points, y.lines[schema.Delivery])
	// The program ended after these passes, before anything was handed on.
	y.issue(y.end.AddDate(0, 0, -3))
	y.issue(y.end.AddDate(0, 0, -1))
	y.steps(y.feeder(), y.issue(y.end))
	require.Equal(t, 2, y.passes)
	require.Equal(t, 4*points, len(y.of("delivery")))
	require.Equal(t, 4*points, len(y.of("forecast")))
	dates := map[any]int{}
	for _, p := range y.of("delivery") {
		dates[p["date"]]++
	}
	today := y.site.Today(y.end)
	require.Equal(t, map[any]int{(today - 4).String(): points, (today - 3).String(): points, (today - 1).String(): points, today.String(): points}, dates)
}

// alarms writes occurrences 1 to n into a ledger.
func alarms(t testing.TB, l *ledger.Ledger, n int, began time.Time) {
	for i := range n {
		row := alarm.Row{ID: fmt.Sprintf("A-%05d", i+1), Type: alarm.UnderDelivery, Point: fmt.Sprintf("p-%d", i+1), State: alarm.Unacknowledged, Priority: alarm.Low, Since: began, Unit: "1", Response: []string{"look", "mend"}}
		require.NoError(t, l.Commit(t.Context(), ledger.Change{
			Occurrences: []ledger.Occurrence{{Subject: row.Point, Listed: true, Row: row}},
			Transitions: []alarm.Transition{{At: began, Occurrence: row.ID, To: row.State}},
		}))
	}
}

func TestAlarmsAreOneRowEachThatIsRenewed(t *testing.T) {
	y := newYard(t, 6, 30)
	f := y.feeder()
	fleet := y.pass(y.end)
	step := func() {
		_, err := f.Step(t.Context(), fleet)
		require.NoError(t, err)
	}
	alarms(t, y.l, 2, y.end)
	step()
	require.Len(t, y.of("alarm"), 2)
	step()
	require.Equal(t, 2+2, y.lines[schema.Alarm], "as moved, and as standing today; then no more")

	ended := y.end.Add(time.Hour)
	row := alarm.Row{ID: "A-00001", Type: alarm.UnderDelivery, Point: "p-1", State: alarm.Normal, Priority: alarm.Low, Since: y.end, Ended: &ended, EndReason: "cleared", Unit: "1", Response: []string{"look"}}
	require.NoError(t, y.l.Commit(t.Context(), ledger.Change{
		Occurrences: []ledger.Occurrence{{Subject: "p-1", Row: row}},
		Transitions: []alarm.Transition{{At: ended, Occurrence: row.ID, To: row.State}},
	}))
	step()
	list := y.of("alarm")
	require.Len(t, list, 2)
	require.Equal(t, "normal", list[0]["state"])
	require.Equal(t, ended.Format(time.RFC3339), list[0]["ended"])
	require.Equal(t, "unacknowledged", list[1]["state"])
	require.Equal(t, 5, y.lines[schema.Alarm])

	// The parts of the collector have neither point nor device.
	require.NoError(t, y.l.Commit(t.Context(), ledger.Change{
		Occurrences: []ledger.Occurrence{{Subject: "journal", Row: alarm.Row{ID: "A-00003", Type: alarm.CollectorTrouble, Part: "journal", Since: y.end, State: alarm.Unacknowledged, Response: []string{"look"}}}},
		Transitions: []alarm.Transition{{At: y.end, Occurrence: "A-00003"}},
	}))
	step()
	require.Len(t, y.of("alarm"), 3)

	// Another ledger, as after a restore: what it has is handed on whole.
	other, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "other.db"))
	require.NoError(t, err)
	defer other.Close()
	alarms(t, other, 1, y.end.AddDate(0, 0, -3))
	f.opt.Ledger = other
	step()
	step()
	require.Len(t, y.of("alarm"), 4)
}

func TestOlderDaysWaitWhileTheQueueIsLong(t *testing.T) {
	y := newYard(t, 6, yardDays)
	for day := -9; day <= 0; day++ {
		y.issue(y.end.AddDate(0, 0, day))
	}
	fleet := y.pass(y.end)
	y.waiting.Lines = queueMost
	f := y.feeder()
	more, err := f.Step(t.Context(), fleet)
	require.NoError(t, err)
	require.True(t, more)
	points, machines := len(y.site.Points), len(y.site.Machines)
	require.Equal(t, 2*points, y.lines[schema.Forecast], "today and yesterday")
	require.LessOrEqual(t, y.lines[schema.Usage], 2*(points+machines))
	require.Positive(t, y.lines[schema.Usage])
	require.Equal(t, points, y.lines[schema.Delivery])

	y.waiting.Lines = queueMost - 100
	before := y.lines[schema.Usage]
	_, err = f.Step(t.Context(), fleet)
	require.NoError(t, err)
	require.Equal(t, before+100, y.lines[schema.Usage])

	y.waiting.Lines = 0
	y.steps(f, fleet)
	require.Equal(t, 10*points, len(y.of("forecast")))
	require.Greater(t, len(y.of("usage")), points*(yardDays-20))
	require.Equal(t, len(y.of("usage")), y.lines[schema.Usage], "each once")
}

func TestWhatWasDrivenOutOfTheQueueIsHandedOnAgain(t *testing.T) {
	y := newYard(t, 6, yardDays)
	y.waiting.GivenUp = map[string]int64{schema.Usage: 7} // of before
	f := y.feeder()
	fleet := y.issue(y.end)
	y.steps(f, fleet)
	n := maps.Clone(y.lines)
	require.Equal(t, len(y.of("usage")), n[schema.Usage])

	y.waiting = Waiting{Lines: queueMost, GivenUp: map[string]int64{schema.Usage: 9, "late": 3}}
	_, err := f.Step(t.Context(), fleet)
	require.NoError(t, err)
	require.Equal(t, n, y.lines, "they would be driven out again")

	y.waiting.Lines = 10
	y.steps(f, fleet)
	require.Equal(t, 2*n[schema.Usage], y.lines[schema.Usage])
	require.Equal(t, n[schema.Forecast], y.lines[schema.Forecast])
	n = maps.Clone(y.lines)
	y.steps(f, fleet)
	require.Equal(t, n, y.lines)
}

// The rows that are handed on have exactly the fields of the table.
func TestRowsHaveTheFieldsOfTheTable(t *testing.T) {
	for _, m := range schema.Measurements() {
		var row any
		switch m.Name {
		case schema.Usage:
			row = dispenserDay{}
		case schema.Forecast:
			row = forecast.Row{}
		case schema.Delivery:
			row = forecast.Delivery{}
		case schema.Alarm:
			row = alarm.Row{}
		case schema.Register:
			row = registerEntry{}
		default:
			continue
		}
		t.Run(m.Name, func(t *testing.T) {
			names := jsonNames(row)
			for _, c := range m.Columns {
				switch {
				case c.Name == "site" || c.Name == "channel" || c.Name == "missing" || strings.HasPrefix(c.Name, "days_to_"):
				case c.Name == "device" && m.Name == schema.Usage:
					require.Contains(t, names, "dispenser")
				default:
					if m.Name == schema.Usage || c.Name != "date" {
						require.Contains(t, names, c.Name)
					}
				}
				delete(names, c.Name)
			}
			delete(names, "dispenser") // tag device of usage
			delete(names, "gateway")   // tag device of alarm
			delete(names, "zone")      // of the other usage
			require.Empty(t, names, "the table lacks them")
		})
	}
}

// BenchmarkLook is what it takes to look whether the results of some weeks are
// still what was handed on, beside a pass over the same points.
func BenchmarkLook(b *testing.B) {
	y := newYard(b, 200, yardDays)
	fleet := y.issue(y.end)
	f := y.feeder()
	y.steps(f, fleet)
	var pass, look time.Duration
	for b.Loop() {
		began := time.Now()
		y.pass(y.end)
		pass += time.Since(began)
		began = time.Now()
		f.usageAt = time.Time{}
		_, err := f.Step(context.Background(), fleet)
		require.NoError(b, err)
		look += time.Since(began)
	}
	b.ReportMetric(float64(look)/float64(pass), "passes")
	b.ReportMetric(look.Seconds()*1e6/float64(b.N*len(y.site.Points)), "us/point")
}
