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
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
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
	x.m = mirror.New(mirror.Options{Source: source{x.from.r}, Journal: here.j, Commit: here.j.TakeOver})
	return x
}

// source asks in the words of the copy.
type source struct{ *query.Reader }

func (s source) Late(ctx context.Context, since time.Time, fn func(mirror.Change) error) error {
	return s.Reader.Late(ctx, since, func(c schema.Changed) error {
		out := mirror.Change{At: c.Sent, Device: c.Device, Quantity: c.Quantity, From: c.From, To: c.To}
		if c.Quantity == schema.FactChannel {
			out.Quantity = ""
		}
		return fn(out)
	})
}

func (s source) Calibrations(ctx context.Context, since time.Time, fn func(journal.Calibration) error) error {
	return s.Reader.Calibrations(ctx, since, func(c schema.Calibration) error { return fn(journal.Calibration(c)) })
}

func (x *copied) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	out, err := x.from.Put(ctx, b)
	x.due.Store(true)
	return out, x.sync(ctx, err)
}

// sync brings the copy up to date, if it is not.
func (x *copied) sync(ctx context.Context, err error) error {
	if err != nil || !x.due.Load() {
		return err
	}
	if _, err = x.m.Sync(ctx); err == nil {
		x.due.Store(false)
	}
	return err
}

func TestInfluxDB(t *testing.T) {
	RunReadings(t, func(t *testing.T) Readings { return openForwarded(t, nil) })
}

func TestAWorkingCopyOfInfluxDB(t *testing.T) {
	Run(t, func(t *testing.T) Store { return openCopied(t, nil) })
}
