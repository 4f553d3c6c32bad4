package journaltest

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/query"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

// inflow is InfluxDB, filled from an embedded journal, and asked by Flux.
type inflow struct {
	*embedded
	srv    *influxtest.Server
	bucket string
	r      *query.Reader
}

func openInflow(t *testing.T, address func(*influxtest.Server) string) *inflow {
	t.Helper()
	srv := influxtest.Start(t)
	x := &inflow{embedded: openEmbedded(t), srv: srv, bucket: srv.Bucket(t)}
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(srv.Token+"\n"), 0o600))
	url := srv.URL
	if address != nil {
		url = address(srv)
	}
	var err error
	x.r, err = query.New(query.Options{
		Server: &config.Influx{URL: url, Organisation: srv.Org, Bucket: x.bucket, TokenFile: file}, Site: "terminal",
		Wait: func(ctx context.Context, _ time.Duration) error { return ctx.Err() },
	})
	require.NoError(t, err)
	t.Cleanup(x.r.Close)
	return x
}

// at is a place that a point has.
type at struct {
	reading.Channel
	ms  int64
	key string
}

func (x *inflow) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	devices := map[string]bool{}
	for _, e := range b {
		for _, r := range e.Readings {
			devices[r.Device] = true
		}
	}
	all := func() (map[at]reading.Reading, error) {
		out := map[at]reading.Reading{}
		for device := range devices {
			err := x.j.Readings(ctx, []string{device}, time.Time{}, end, func(r reading.Reading) error {
				out[at{r.Channel, r.At.UnixMilli(), r.Key}] = r
				return nil
			})
			if err != nil {
				return nil, err
			}
		}
		return out, nil
	}
	was, err := all()
	if err != nil {
		return nil, err
	}
	out, err := x.embedded.Put(ctx, b)
	if err != nil {
		return nil, err
	}
	now, err := all()
	if err != nil {
		return nil, err
	}
	var lines []byte
	var list []reading.Reading
	for k, r := range now {
		if old, ok := was[k]; !ok || old != r {
			list = append(list, r)
		}
	}
	for k, r := range was {
		if _, ok := now[k]; !ok {
			kind, channel, _ := strings.Cut(string(r.Quantity), ".")
			if err := x.srv.Do("POST", fmt.Sprintf("/api/v2/delete?org=%s&bucket=%s", x.srv.Org, x.bucket), map[string]any{
				"start": r.At.Format(time.RFC3339Nano), "stop": r.At.Add(time.Millisecond - 1).Format(time.RFC3339Nano),
				"predicate": fmt.Sprintf("_measurement=%q AND site=%q AND channel=%q AND device=%q", kind, "terminal", channel, r.Device),
			}, nil); err != nil {
				return nil, err
			}
			for _, other := range now {
				if other.Channel == r.Channel && other.At.Equal(r.At) {
					list = append(list, other)
				}
			}
		}
	}
	slices.SortFunc(list, func(a, b reading.Reading) int {
		return cmp.Or(strings.Compare(a.Device, b.Device), reading.Compare(a, b))
	})
	enc := schema.NewEncoder("terminal")
	for i := range list {
		if lines, err = enc.Reading(lines, &list[i]); err != nil {
			return nil, err
		}
	}
	if len(lines) > 0 {
		err = x.srv.Do("POST", fmt.Sprintf("/api/v2/write?org=%s&bucket=%s&precision=ns", x.srv.Org, x.bucket), string(lines), nil)
	}
	return out, err
}

func (x *inflow) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) (err error) {
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

// only shows of a store what it can do itself.
type only struct{ x *inflow }

func (o only) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	return o.x.Put(ctx, b)
}
func (o only) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	return o.x.Readings(ctx, devices, after, to, fn)
}

func TestInfluxDB(t *testing.T) {
	RunReadings(t, func(t *testing.T) Readings { return only{openInflow(t, nil)} })
}
