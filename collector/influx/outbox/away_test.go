package outbox

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector/health"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

var long = flag.Bool("long", false, "run the fault tests many more times")

func TestMain(m *testing.M) {
	if dir := os.Getenv(killDir); dir != "" {
		killChild(dir)
		return
	}
	code := influxtest.Main(m)
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// fleet makes the messages of a small plant, the same for one number always.
type fleet struct{ machines int }

// minute are the messages of one minute.
func (f fleet) minute(n int) (b journal.Batch) {
	at := start.Add(time.Duration(n) * time.Minute)
	for m := range f.machines {
		at := at.Add(time.Duration(m) * 7 * time.Millisecond)
		one := func(device string, q reading.Quantity, v float64) reading.Reading {
			return reading.Reading{Channel: reading.Channel{Device: device, Quantity: q}, At: at, Received: at.Add(1300 * time.Millisecond), FromDevice: true, Value: v}
		}
		machine, dispenser := fmt.Sprintf("belt-q%d", m), fmt.Sprintf("disp-q%d", m)
		count := one(dispenser, reading.PulseCount, 0)
		count.Count = int64(n*(m+1)) + 1<<40
		count.Value = float64(count.Count)
		b = append(b, journal.Entry{Readings: []reading.Reading{one(machine, reading.RunHours, 100+float64(n)/60)}},
			journal.Entry{Readings: []reading.Reading{count}})
		if n%60 == m%60 {
			level := one(dispenser, reading.LevelCM3, 125-float64(n)/600)
			inc := one(fmt.Sprintf("gate-t%d", m), reading.PulseIncrement, 3)
			inc.Count, inc.Key = 3, fmt.Sprintf("k%d", n)
			second := inc
			second.Key += "b" // of the same millisecond
			b = append(b, journal.Entry{Readings: []reading.Reading{level}}, journal.Entry{Readings: []reading.Reading{inc}}, journal.Entry{Readings: []reading.Reading{second}})
		}
	}
	if n%720 == 700 {
		b = append(b, journal.Entry{Facts: []reading.Fact{{Kind: reading.FactChange, Device: "disp-q0", At: at, Received: at}}})
	}
	return b
}

// late are messages that come long after their time.
func (f fleet) late(n int) journal.Batch {
	at := start.Add(time.Duration(n)*time.Minute - 5*time.Hour + 30*time.Second)
	return journal.Batch{{Readings: []reading.Reading{{
		Channel: reading.Channel{Device: "belt-q0", Quantity: reading.RunHours}, At: at, Received: at.Add(5 * time.Hour), FromDevice: true, Value: 7,
	}}}}
}

func openJournal(t testing.TB, path string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(context.Background(), path, journal.Options{})
	require.NoError(t, err)
	return j
}

func outboxOf(t testing.TB, j *journal.Journal, target string) *journal.Outbox {
	t.Helper()
	o, err := j.Outbox(context.Background(), target)
	require.NoError(t, err)
	return o
}

// sentTo runs a sender of a journal's outbox until the function says so.
func sentTo(t testing.TB, o *journal.Outbox, opt Options, until func(*Sender) bool) *Sender {
	t.Helper()
	opt.Outbox, opt.Site, opt.Every, opt.times = o, "riverside", 10*time.Millisecond, quickTimes
	s, stop := running(t, opt)
	for end := time.Now().Add(2 * time.Minute); !until(s); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			stop()
			b, err := o.Backlog(context.Background())
			t.Fatalf("still not done: %+v, backlog %+v %v, health %v", s.Stats(), b, err, opt.Health.List())
		}
	}
	stop()
	return s
}

// nothingWaits says that all was sent.
func nothingWaits(t testing.TB, o *journal.Outbox) func(*Sender) bool {
	return func(*Sender) bool {
		b, err := o.Backlog(context.Background())
		require.NoError(t, err)
		return rowsOf(b) == 0
	}
}

// requireSame wants every reading and fact of the journal in the bucket, once
// and with its value, and nothing else there.
func requireSame(t testing.TB, srv *influxtest.Server, bucket string, j *journal.Journal) (readings int) {
	t.Helper()
	want := map[reading.Quantity]map[string]string{}
	require.NoError(t, j.Readings(context.Background(), nil, time.Time{}, start.AddDate(10, 0, 0), func(r reading.Reading) error {
		if want[r.Quantity] == nil {
			want[r.Quantity] = map[string]string{}
		}
		at := r.At
		if r.Key != "" {
			at = at.Add(schema.Slot(r.Key))
		}
		want[r.Quantity][fmt.Sprintf("%s %d", r.Device, at.UnixNano())] = fmt.Sprint(r.Value, r.Received.Sub(r.At).Milliseconds())
		readings++
		return nil
	}))
	fields, others := 0, map[string]string{}
	for q, of := range want {
		measurement, channel, _ := strings.Cut(string(q), ".")
		got := stored(t, srv, bucket, measurement, channel)
		lag := stored(t, srv, bucket, measurement, "lag_ms")
		missing, wrong := 0, 0
		for key, value := range of {
			has, there := got[key]
			v, err := strconv.ParseFloat(has, 64)
			switch {
			case !there:
				missing++
			case err != nil || fmt.Sprint(v, atoi(lag[key])) != value:
				wrong++
			}
		}
		require.Zero(t, missing, "%s: of %d", q, len(of))
		require.Zero(t, wrong, "%s: of %d", q, len(of))
		require.Equal(t, len(of), len(got), "%s: more there than in the journal", q)
		fields += len(got)
		for key, v := range lag {
			others[measurement+key] = v
		}
	}
	require.Len(t, srv.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 1990-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)
		|> filter(fn: (r) => r._field == "lag_ms") |> group() |> count()`, bucket)), 1)
	require.Equal(t, fields, len(others), "every reading has its lag, and there are no others")
	facts, err := j.Facts(context.Background(), start.AddDate(10, 0, 0))
	require.NoError(t, err)
	require.Len(t, stored(t, srv, bucket, "fact", "id"), len(facts))
	return readings
}

func atoi(text string) int64 {
	n, _ := strconv.ParseInt(text, 10, 64)
	return n
}

// The receiver is away for 72 hours, and both sides are started anew in between,
// the receiver with a kill amid the work. Then all is there once, in the order of
// each series, also with a second receiver of another make.
func TestAwayForThreeDays(t *testing.T) {
	srv := influxtest.Own(t)
	bucket := srv.Bucket(t)
	proxy := influxtest.NewProxy(t, srv.URL)
	proxy.Keep()
	f := fleet{machines: 2}
	if *long {
		f.machines = 20
	}
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	const target = "influx terminal/lube"
	o := outboxOf(t, j, target)
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(srv.Token), 0o600))
	opt := Options{URL: proxy.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: token, Health: health.New(nil), BatchRows: 500}
	n := 0
	days := func(hours int) {
		t.Helper()
		for range hours {
			var b journal.Batch
			for range 60 {
				b = append(b, f.minute(n)...)
				n++
			}
			if n > 400 {
				b = append(b, f.late(n)...)
			}
			_, err := j.Commit(context.Background(), b)
			require.NoError(t, err)
		}
	}
	says := func(word string) func(*Sender) bool {
		return func(*Sender) bool {
			return slices.ContainsFunc(opt.Health.List(), func(c health.Check) bool { return strings.Contains(c.What, word) })
		}
	}
	days(10)
	sentTo(t, o, opt, nothingWaits(t, o))
	srv.Stop()
	days(24)
	sentTo(t, o, opt, says("no answer"))
	require.NoError(t, j.Close()) // the gateway is started anew
	j = openJournal(t, path)
	o = outboxOf(t, j, target)
	days(30)
	sentTo(t, o, opt, says("no answer"))
	srv.Again()
	sentTo(t, o, opt, func(s *Sender) bool { return s.Stats().Written > 1000 })
	days(12)
	// The receiver is killed amid the work, and away again.
	taken := len(proxy.Requests())
	sentTo(t, o, opt, func(s *Sender) bool {
		if s.Stats().Written > 1000 && len(proxy.Requests()) > taken {
			srv.Kill()
			return says("no answer")(s)
		}
		return false
	})
	days(6)
	require.NoError(t, j.Close())
	j = openJournal(t, path)
	defer func() { require.NoError(t, j.Close()) }()
	o = outboxOf(t, j, target)
	srv.Again()
	s := sentTo(t, o, opt, func(s *Sender) bool { return nothingWaits(t, o)(s) && opt.Health.Worst() == health.Ok })
	rows := requireSame(t, srv, bucket, j)
	t.Logf("%d readings, the last %d requests wrote %d rows", rows, s.Stats().Batches, s.Stats().Written)

	// In the order of each series, but for what came late into the journal and what
	// is sent again after a start.
	last, seen := map[string]string{}, map[string]bool{}
	for _, r := range proxy.Requests() {
		text, err := r.Text()
		if err != nil || r.Status != 204 {
			continue
		}
		for line := range strings.Lines(text) {
			series, _, _ := strings.Cut(line, " ")
			at := line[strings.LastIndexByte(line, ' ')+1:]
			if strings.HasPrefix(line, "late,") || strings.HasPrefix(line, "fact,") || strings.Contains(line, "device=belt-q0,") ||
				strings.Contains(line, "channel=pulses") || seen[series+at] {
				continue
			}
			require.Greater(t, at, last[series], series)
			seen[series+at], last[series] = true, at
		}
	}
	require.Len(t, last, 3*f.machines-1)

	other := influxtest.Victoria(t)
	o = outboxOf(t, j, "another")
	opt = Options{URL: other.URL, Organisation: "o", Bucket: "b", Health: health.New(nil)}
	s = sentTo(t, o, opt, nothingWaits(t, o))
	// It knows no nanoseconds: of two increments of one millisecond it has one.
	increments := 0
	require.NoError(t, j.Readings(context.Background(), nil, time.Time{}, start.AddDate(1, 0, 0), func(r reading.Reading) error {
		if r.Key != "" {
			increments++
		}
		return nil
	}))
	require.Equal(t, rows-increments/2, other.Count(t, `{__name__=~".*_lag_ms"}`))
	require.EqualValues(t, 0, s.Stats().Undeleted)
}

// again starts this test program again.
func again(t *testing.T, env ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), env...)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	return cmd
}

// killDir names the folder of the journal that this test program, started again,
// fills and forwards until it is killed.
const killDir = "OUTBOX_KILL_DIR"

// killChild commits and sends for ever. The journal says where it stands.
func killChild(dir string) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	ctx := context.Background()
	j, err := journal.Open(ctx, filepath.Join(dir, "journal.db"), journal.Options{})
	fail(err)
	o, err := j.Outbox(ctx, "influx terminal/lube")
	fail(err)
	s, err := New(Options{
		URL: os.Getenv(killDir + "_URL"), Organisation: os.Getenv(killDir + "_ORG"), Bucket: os.Getenv(killDir + "_BUCKET"),
		TokenFile: filepath.Join(dir, "token"), Site: "riverside", Outbox: o, Every: time.Millisecond, BatchRows: 40, times: quickTimes,
	})
	fail(err)
	go func() { fail(s.Run(ctx)) }()
	f := fleet{machines: 4}
	n := 0
	fail(j.Readings(ctx, []string{"belt-q1"}, time.Time{}, start.AddDate(10, 0, 0), func(reading.Reading) error { n++; return nil }))
	for ; ; n++ {
		// Before the readings, which say how far this has come. What waits in a
		// queue is off the disk as soon as it is done.
		fail(j.QueueLines(ctx, [][]byte{fmt.Appendf(nil, "usage,point=p,site=riverside run_hours=%d %d", n, start.Add(time.Duration(n)*time.Minute).UnixNano())}))
		b := f.minute(n)
		if n > 400 && n%20 == 0 {
			b = append(b, f.late(n)...)
		}
		_, err := j.Commit(ctx, b)
		fail(err)
		time.Sleep(time.Millisecond)
	}
}

// The program is killed again and again amid a batch, while answers get lost.
// In the end every reading of the journal is at the receiver once, with its
// value, and nothing else.
func TestKilledAmidABatch(t *testing.T) {
	kills := 4
	if *long {
		kills = 50
	}
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	proxy := influxtest.NewProxy(t, srv.URL)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "token"), []byte(srv.Token), 0o600))
	chance := rand.New(rand.NewPCG(7, 7))
	for range kills {
		kill := make(chan struct{}, 1)
		requests, at := 0, 3+chance.IntN(30)
		pause := time.Duration(chance.IntN(4000)) * time.Microsecond
		proxy.Each(func(influxtest.Request) influxtest.Fault {
			if requests++; requests == at {
				kill <- struct{}{}
			}
			switch chance.IntN(12) {
			case 0:
				return influxtest.CutAfter()
			case 1:
				return influxtest.Answer(503, "")
			case 2:
				return influxtest.CutBody(200)
			}
			return influxtest.Pass()
		})
		cmd := again(t, killDir+"="+dir, killDir+"_URL="+proxy.URL, killDir+"_ORG="+srv.Org, killDir+"_BUCKET="+bucket)
		select {
		case <-kill:
		case <-time.After(time.Minute):
			t.Error("it sends nothing")
		}
		time.Sleep(pause)
		require.NoError(t, cmd.Process.Kill()) // SIGKILL
		require.Error(t, cmd.Wait(), "killed, not ended")
		proxy.Clear() // the chance is for one at a time
		require.False(t, t.Failed())
	}
	proxy.Clear()
	j := openJournal(t, filepath.Join(dir, "journal.db"))
	defer func() { require.NoError(t, j.Close()) }()
	o := outboxOf(t, j, "influx terminal/lube")
	_, anew := o.Anew()
	require.False(t, anew)
	opt := Options{URL: srv.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: filepath.Join(dir, "token"), Health: health.New(nil)}
	sentTo(t, o, opt, nothingWaits(t, o))
	rows := requireSame(t, srv, bucket, j)
	require.Greater(t, rows, 100*kills)
	n := 0
	require.NoError(t, j.Readings(context.Background(), []string{"belt-q1"}, time.Time{}, start.AddDate(10, 0, 0), func(reading.Reading) error { n++; return nil }))
	lines := stored(t, srv, bucket, "usage", "run_hours")
	for i := range n {
		require.Equal(t, fmt.Sprint(i), lines[fmt.Sprintf(" %d", start.Add(time.Duration(i)*time.Minute).UnixNano())])
	}
	require.LessOrEqual(t, len(lines), n+1, "the last kill may have come between the two")
	t.Logf("%d kills, %d readings, %d requests", kills, rows, len(proxy.Requests()))
}

// Poison and faults together, from a journal: exactly the bad points are kept
// aside, with the server's words; once the cause is gone they are sent again, and
// all is there once.
func TestPoisonAmidFaultsAndThenSentAgain(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	// Somebody has written levels as integers, in the shard that is written to.
	srv.Write(t, bucket, fmt.Sprintf("level,device=other cm3=5i %d", start.UnixNano()))
	proxy := influxtest.NewProxy(t, srv.URL)
	chance := rand.New(rand.NewPCG(3, 3))
	proxy.Each(func(influxtest.Request) influxtest.Fault {
		switch chance.IntN(10) {
		case 0:
			return influxtest.CutAfter()
		case 1:
			return influxtest.CutBody(300)
		case 2:
			return influxtest.Answer(503, "").With("Retry-After", "0")
		case 3:
			return influxtest.Answer(401, "{}")
		}
		return influxtest.Pass()
	})
	j := openJournal(t, filepath.Join(t.TempDir(), "journal.db"))
	defer func() { require.NoError(t, j.Close()) }()
	o := outboxOf(t, j, "influx terminal/lube")
	f := fleet{machines: 3}
	levels := 0
	for n := range 700 {
		b := f.minute(n)
		for _, e := range b {
			for _, r := range e.Readings {
				if r.Quantity == reading.LevelCM3 {
					levels++
				}
			}
		}
		_, err := j.Commit(context.Background(), b)
		require.NoError(t, err)
	}
	require.NoError(t, j.QueueLines(context.Background(), [][]byte{
		fmt.Appendf(nil, "usage,point=p1 run_hours=1 %d", start.UnixNano()), []byte("usage,point=p2 run_hours=one 1"),
		fmt.Appendf(nil, "usage,point=p3 run_hours=3 %d", start.UnixNano()+1),
	}))
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(srv.Token), 0o600))
	opt := Options{URL: proxy.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: token, Health: health.New(nil), BatchRows: 400}
	sentTo(t, o, opt, nothingWaits(t, o))

	ctx := context.Background()
	kept, err := o.Refused(ctx, 0, 10_000)
	require.NoError(t, err)
	words := map[string]int{}
	for _, r := range kept {
		words[r.Reason]++
		switch r.Reason {
		case TypeConflict:
			require.Equal(t, reading.LevelCM3, r.Channel.Quantity)
			require.Equal(t, 422, r.Status)
			require.Contains(t, r.Words, `input field "cm3" on measurement "level" is type float, already exists as type integer`)
		case Syntax:
			require.Equal(t, "usage,point=p2 run_hours=one 1", string(r.Line))
			require.Equal(t, "unable to parse: invalid boolean", r.Words)
		}
	}
	require.Equal(t, map[string]int{TypeConflict: levels, Syntax: 1}, words)
	require.Len(t, stored(t, srv, bucket, "level", "cm3"), 1)
	require.Len(t, stored(t, srv, bucket, "usage", "run_hours"), 2)

	// The cause goes.
	require.NoError(t, srv.Do("POST", "/api/v2/delete?org="+srv.Org+"&bucket="+bucket, map[string]any{
		"start": "1990-01-01T00:00:00Z", "stop": "2200-01-01T00:00:00Z", "predicate": `_measurement="level"`,
	}, nil))
	n, err := o.Resend(ctx)
	require.NoError(t, err)
	require.Equal(t, levels+1, n)
	// They are among what is kept aside until they are taken.
	s := sentTo(t, o, opt, func(s *Sender) bool {
		b, err := o.Backlog(ctx)
		require.NoError(t, err)
		return b.Refused[TypeConflict] == 0 && s.Stats().Refused[Syntax] > 0 || s.Stats().Refused[TypeConflict] > 0
	})
	require.Zero(t, s.Stats().Refused[TypeConflict])
	requireSame(t, srv, bucket, j)
	kept, err = o.Refused(ctx, 0, 10_000)
	require.NoError(t, err)
	require.Len(t, kept, 1, "the line that is none")
}
