package outbox

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

// What is forwarded, beside the library's bare client that writes prepared line
// protocol in batches of the same size, in turns within one run, everything on
// one machine: InfluxDB, the journal and both writers.

const (
	benchDevices = 250 // each with four channels, one row a minute
	benchHours   = 4
	benchBatch   = 5000
	// benchLive is what 5,000 dispensers bring in that send four values a
	// minute, rows/s.
	benchLive = 5000 * 4 / 60.0
)

// fill commits the rows of some hours, as they come.
func fill(b *testing.B, j *journal.Journal, hours int) (rows int) {
	b.Helper()
	for n := range hours * 60 {
		batch := make(journal.Batch, 0, benchDevices)
		for d := range benchDevices {
			at := start.Add(time.Duration(n)*time.Minute + time.Duration(d*211)*time.Millisecond)
			one := func(q reading.Quantity, v float64) reading.Reading {
				r := reading.Reading{Channel: reading.Channel{Device: fmt.Sprintf("disp-%03d", d), Quantity: q}, At: at, Received: at.Add(1300 * time.Millisecond), FromDevice: true, Value: v}
				if q.Exact() {
					r.Count = int64(v)
				}
				return r
			}
			batch = append(batch, journal.Entry{Readings: []reading.Reading{
				one(reading.PulseCount, float64(n*7+d)), one(reading.DoseCM3, float64(n)*0.16+float64(d)),
				one(reading.LevelCM3, 125-float64(n)/37), one(reading.StatusTempC, 20+float64((n*d)%70)/10),
			}})
			rows += 4
		}
		_, err := j.Commit(context.Background(), batch)
		require.NoError(b, err)
	}
	return rows
}

// prepared are the lines of all readings, in batches.
func prepared(b *testing.B, j *journal.Journal) (batches []string) {
	b.Helper()
	enc := schema.NewEncoder("riverside")
	var text []byte
	rows := 0
	// In the order in which rows are forwarded: across channels old before new.
	o := outboxOf(b, j, "prepare")
	for {
		p, err := o.Next(context.Background(), benchBatch)
		require.NoError(b, err)
		if p.Empty() {
			break
		}
		for i := range p.Readings {
			text, err = enc.Reading(text, &p.Readings[i])
			require.NoError(b, err)
			if rows++; rows%benchBatch == 0 {
				batches, text = append(batches, string(text)), nil
			}
		}
		require.NoError(b, o.Done(context.Background(), p, nil))
	}
	if len(text) > 0 {
		batches = append(batches, string(text))
	}
	return batches
}

func BenchmarkForward(b *testing.B) {
	srv := influxtest.Start(b)
	ctx := context.Background()
	j := openJournal(b, filepath.Join(b.TempDir(), "journal.db"))
	b.Cleanup(func() { require.NoError(b, j.Close()) })
	rows := fill(b, j, benchHours)
	batches := prepared(b, j)
	token := filepath.Join(b.TempDir(), "token")
	require.NoError(b, os.WriteFile(token, []byte(srv.Token), 0o600))
	var bare, ours time.Duration
	var stats Stats
	for turn := 0; b.Loop(); turn++ {
		client := influxdb2.NewClientWithOptions(srv.URL, srv.Token, influxdb2.DefaultOptions().SetUseGZip(true).SetPrecision(time.Nanosecond))
		write := client.WriteAPIBlocking(srv.Org, srv.Bucket(b))
		began := time.Now()
		for _, text := range batches {
			require.NoError(b, write.WriteRecord(ctx, text))
		}
		bare += time.Since(began)
		client.Close()

		bucket := srv.Bucket(b)
		o := outboxOf(b, j, fmt.Sprint("turn ", turn))
		began = time.Now()
		s := sentTo(b, o, Options{URL: srv.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: token, BatchRows: benchBatch},
			func(s *Sender) bool { return s.Stats().Written >= int64(rows) })
		ours += time.Since(began)
		stats = s.Stats()
		require.EqualValues(b, rows, stats.Written)
	}
	n := float64(b.N * rows)
	b.ReportMetric(n/bare.Seconds(), "bare-points/s")
	b.ReportMetric(n/ours.Seconds(), "points/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
	b.ReportMetric(n/ours.Seconds()/benchLive, "times-live")
	b.ReportMetric(float64(stats.Sent)/float64(rows), "bytes/point")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkForwardBesideIntake: what the intake takes in while a backlog is sent,
// beside what it takes in alone. The receiver is on another machine mostly, so it
// is one here that takes everything and does nothing; with influx in the name it
// is a real one that shares the two processors.
func BenchmarkForwardBesideIntake(b *testing.B) {
	b.Run("null", func(b *testing.B) {
		null := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body)
			w.WriteHeader(http.StatusNoContent)
		}))
		b.Cleanup(null.Close)
		besideIntake(b, Options{URL: null.URL, Organisation: "o", Bucket: "b"})
	})
	b.Run("influx", func(b *testing.B) {
		srv := influxtest.Start(b)
		token := filepath.Join(b.TempDir(), "token")
		require.NoError(b, os.WriteFile(token, []byte(srv.Token), 0o600))
		besideIntake(b, Options{URL: srv.URL, Organisation: srv.Org, Bucket: srv.Bucket(b), TokenFile: token})
	})
}

// benchMessages are those of a turn of the intake.
const benchMessages = 100_000

func besideIntake(b *testing.B, opt Options) {
	ctx := context.Background()
	site := &config.Site{ID: "riverside", Zone: "Europe/Vienna"}
	for i := range 500 {
		site.Machines = append(site.Machines, config.Machine{ID: fmt.Sprintf("belt-%03d", i)})
	}
	require.NoError(b, site.Reindex())
	j := openJournal(b, filepath.Join(b.TempDir(), "journal.db"))
	b.Cleanup(func() { require.NoError(b, j.Close()) })
	fill(b, j, benchHours)
	in := collector.NewIntake(func() *config.Site { return site }, j, health.New(nil), nil)
	run, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(run) }()
	b.Cleanup(func() { cancel(); <-ended })
	sent := 0
	turn := func() time.Duration {
		began := time.Now()
		var waiting sync.WaitGroup
		waiting.Add(benchMessages)
		for range benchMessages {
			at := start.AddDate(0, 0, 30).Add(time.Duration(sent/len(site.Machines)) * time.Second)
			m := reading.Message{
				Topic:    "lube/v1/riverside/" + site.Machines[sent%len(site.Machines)].ID + "/run",
				Payload:  fmt.Appendf(nil, `{"hours":%.4f,"at":%q}`, 100+float64(sent)/3.6e6, at.Format(time.RFC3339)),
				Received: at.Add(time.Second),
				Done: func(err error) {
					if err != nil {
						b.Error(err)
					}
					waiting.Done()
				},
			}
			require.NoError(b, in.Submit(ctx, m))
			sent++
		}
		waiting.Wait()
		return time.Since(began)
	}
	turn() // warm
	var alone, beside time.Duration
	var points int64
	for n := 0; b.Loop(); n++ {
		require.NoError(b, j.ForgetOutbox(ctx))
		alone += turn()
		o := outboxOf(b, j, fmt.Sprint("turn ", n))
		done := make(chan time.Duration)
		opt := opt
		opt.Pressed = in.Pressed
		go func() {
			var took time.Duration
			s := sentTo(b, o, opt, func(*Sender) bool {
				select {
				case took = <-done:
					return true
				default:
					return false
				}
			})
			points += s.Stats().Written
			done <- took
		}()
		took := turn()
		beside += took
		done <- took
		<-done
	}
	n := float64(b.N * benchMessages)
	b.ReportMetric(n/alone.Seconds(), "alone-msg/s")
	b.ReportMetric(n/beside.Seconds(), "beside-msg/s")
	b.ReportMetric(alone.Seconds()/beside.Seconds(), "ratio")
	b.ReportMetric(float64(points)/beside.Seconds(), "points/s-beside")
	b.ReportMetric(float64(points)/beside.Seconds()/benchLive, "times-live")
	b.ReportMetric(0, "ns/op")
}
