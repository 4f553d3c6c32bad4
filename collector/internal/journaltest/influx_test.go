package journaltest

import (
	"context"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/influx/query"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// forwarded is InfluxDB, filled from an embedded journal as on a gateway, and
// asked for readings.
type forwarded struct {
	gateway *embedded
	box     *journal.Outbox
	r       *query.Reader
}

// openForwarded has a journal forward to a bucket of its own. The reader goes
// to where through leads, or to the server.
func openForwarded(t *testing.T, through func(url string) (reads string)) *forwarded {
	t.Helper()
	srv := influxtest.Start(t)
	x := &forwarded{gateway: openEmbedded(t)}
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(srv.Token+"\n"), 0o600))
	server := &config.Influx{URL: srv.URL, Organisation: srv.Org, Bucket: srv.Bucket(t), TokenFile: file}
	var err error
	x.box, err = x.gateway.j.Outbox(t.Context(), srv.URL)
	require.NoError(t, err)
	s, err := outbox.New(outbox.Options{
		URL: server.URL, Organisation: server.Organisation, Bucket: server.Bucket, TokenFile: file,
		Site: "terminal", Every: time.Millisecond, Outbox: x.box,
	})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() { stop(); require.NoError(t, <-ended) })
	if through != nil {
		reads := *server
		reads.URL = through(srv.URL)
		server = &reads
	}
	x.r, err = query.New(query.Options{
		Server: server, Site: "terminal",
		Wait: func(ctx context.Context, _ time.Duration) error { return ctx.Err() },
	})
	require.NoError(t, err)
	t.Cleanup(x.r.Close)
	return x
}

// Put commits on the gateway, and returns when the server has it.
func (x *forwarded) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	out, err := x.gateway.Put(ctx, b)
	for err == nil {
		var waits journal.Backlog
		if waits, err = x.box.Backlog(ctx); err != nil || waits.Readings+waits.Late+waits.Facts+waits.Lines == 0 {
			break
		}
		select {
		case <-ctx.Done():
			err = ctx.Err()
		case <-time.After(time.Millisecond):
		}
	}
	return out, err
}

func (x *forwarded) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) (err error) {
	if devices == nil {
		if devices, err = x.r.Devices(ctx); err != nil {
			return err
		}
	}
	for _, d := range devices {
		if err := x.r.Readings(ctx, d, nil, after, to, fn); err != nil {
			return err
		}
	}
	return nil
}

// copied is a working copy on another machine, filled from there.
type copied struct {
	*collector.History
	from *forwarded
	m    *mirror.Mirror
	due  atomic.Bool
}

func openCopied(t *testing.T, through func(url string) string) *copied {
	t.Helper()
	here := openEmbedded(t)
	x := &copied{History: here.History, from: openForwarded(t, through)}
	x.m = mirror.New(mirror.Options{Source: mirror.InfluxDB(x.from.r), Journal: here.j, Commit: here.j.TakeOver})
	return x
}

func (x *copied) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	x.due.Store(true)
	return x.from.Put(ctx, b)
}

// sync brings the copy up to date, if it may not be.
func (x *copied) sync(ctx context.Context) error {
	if !x.due.Load() {
		return nil
	}
	_, err := x.m.Sync(ctx)
	if err == nil {
		x.due.Store(false)
	}
	return err
}

// The questions bring the copy up to date first.

func (x *copied) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	if err := x.sync(ctx); err != nil {
		return err
	}
	return x.History.Readings(ctx, devices, after, to, fn)
}

func (x *copied) Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	if err := x.sync(ctx); err != nil {
		return nil, err
	}
	return x.History.Days(ctx, device, kind, first, last)
}

func (x *copied) Levels(ctx context.Context, device string, from, to time.Time) ([]reading.Sample, error) {
	if err := x.sync(ctx); err != nil {
		return nil, err
	}
	return x.History.Levels(ctx, device, from, to)
}

func (x *copied) LastSeen(ctx context.Context, device string, until time.Time) (seen time.Time, every time.Duration, ok bool, err error) {
	if err := x.sync(ctx); err != nil {
		return seen, 0, false, err
	}
	return x.History.LastSeen(ctx, device, until)
}

func (x *copied) Facts(ctx context.Context, until time.Time) ([]reading.Fact, error) {
	if err := x.sync(ctx); err != nil {
		return nil, err
	}
	return x.History.Facts(ctx, until)
}

func TestInfluxDB(t *testing.T) {
	RunReadings(t, func(t *testing.T) Readings { return openForwarded(t, nil) })
}

func TestAWorkingCopyOfInfluxDB(t *testing.T) {
	Run(t, func(t *testing.T) Store { return openCopied(t, nil) })
}

// wire breaks answers on their way from InfluxDB: as many as are asked for again
// without a word, and some more.
type wire struct {
	proxy *influxtest.Proxy
	met   atomic.Int64
}

// brokenFor is how many requests one fault is met by.
const brokenFor = 6

var wireFaults = []struct {
	name string
	influxtest.Fault
}{
	{"503", influxtest.Answer(503, `{"code":"unavailable","message":"too busy"}`)},
	{"cut before", influxtest.CutBefore()},
	{"cut in the middle", influxtest.Truncate(150)},
	{"unheard", influxtest.CutAfter()},
	{"200 and nothing", influxtest.Answer(200, "")},
	{"403", influxtest.Answer(403, `{"code":"forbidden","message":"not now"}`)},
	{"cut late", influxtest.Truncate(400)},
}

func (w *wire) through(t *testing.T) func(url string) string {
	return func(url string) string {
		w.proxy = influxtest.NewProxy(t, url)
		return w.proxy.URL
	}
}

func (w *wire) Kinds() int           { return len(wireFaults) }
func (w *wire) Name(kind int) string { return wireFaults[kind].name }

func (w *wire) Arm(kind, n int) {
	w.met.Store(0)
	w.proxy.Forget()
	w.proxy.Each(func(influxtest.Request) influxtest.Fault {
		n-- // one request at a time
		if n >= 0 || n < -brokenFor {
			return influxtest.Pass()
		}
		w.met.Add(1)
		return wireFaults[kind].Fault
	})
}

func (w *wire) Disarm() bool {
	w.proxy.Clear()
	return w.met.Load() > 0
}

// slowRows ask for very many devices.
var slowRows = []string{"names of devices are nothing but names"}

func TestInfluxDBUnderFaults(t *testing.T) {
	RunFaults(t, Trial{
		Truth: func(t *testing.T) Readings { return openEmbedded(t) },
		Open: func(t *testing.T) (Readings, Breaker) {
			var w wire
			return openForwarded(t, w.through(t)), &w
		},
		Steps: 10, Rounds: rounds(1, len(wireFaults)), Every: rounds(4, 1), Leave: slowRows,
	})
}

func TestAWorkingCopyOfInfluxDBUnderFaults(t *testing.T) {
	RunFaults(t, Trial{
		Truth: func(t *testing.T) Readings { return openEmbedded(t) },
		Open: func(t *testing.T) (Readings, Breaker) {
			var w wire
			return openCopied(t, w.through(t)), &w
		},
		Steps: 10, Rounds: rounds(1, len(wireFaults)), Every: rounds(4, 1), Leave: slowRows,
	})
}

// The intake puts the receive time in the place of one that cannot be; what got
// into a journal all the same is kept aside on the way out, and holds up nothing.
func TestTimesThatCannotBeDoNotGetIntoInfluxDB(t *testing.T) {
	x := openCopied(t, nil)
	good := []reading.Reading{counted("d-1", reading.PulseCount, minute(0), 1), counted("d-1", reading.PulseCount, minute(1), 2)}
	for _, at := range []time.Time{time.Unix(37, 0).UTC(), time.Date(2000, 1, 1, 0, 3, 11, 0, time.UTC), time.Date(2019, 12, 31, 23, 59, 59, 999e6, time.UTC), time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)} {
		put(t, x, good[0], counted("d-1", reading.PulseCount, at, 7), good[1])
	}
	ahead := counted("d-1", reading.PulseCount, minute(60), 9)
	ahead.Received = minute(54).Add(-time.Millisecond)
	put(t, x, ahead)
	same(t, good, read(t, x, nil, time.Time{}, end))
	aside, err := x.from.box.Refused(t.Context(), 0, 100)
	require.NoError(t, err)
	require.Len(t, aside, 5)
	for _, a := range aside {
		require.Equal(t, outbox.Unencodable, a.Reason)
	}
}
