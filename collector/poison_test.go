package collector

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/replay"
	"dwindle/config"
	"dwindle/config/mapping"
)

// What must hold under poison, in bytes. The intake has room for 32 MB of
// messages; what is packed and written of them takes as much again, and the
// collector lets the heap double.
const (
	poisonHeap = 160 << 20
	poisonRing = 1 << 20
)

// Good messages of few devices among a flood of poison, as fast as the intake
// takes them: the catalogue of faults, messages of every form broken in every
// way, sheer noise. All that is good is stored, all else is answered and
// counted by its reason, nothing gets stuck, memory and the ring of what is
// kept aside stay within their bounds.
func TestPoisonDoesNoHarm(t *testing.T) {
	n := rounds(6_000, 500_000)
	x := startPoisoned(t)
	pool := newPoison(t)
	r := rand.New(rand.NewPCG(11, 1))
	heap := watchHeap(t)

	var mu sync.Mutex
	fates := map[string]int64{}
	var answered, refused atomic.Int64
	send := func(m reading.Message) {
		m.Source = "broker"
		m.Done = func(err error) {
			if answered.Add(1); err != nil {
				refused.Add(1)
			}
		}
		require.NoError(t, x.Feed(context.Background(), m, func(f Fate) {
			mu.Lock()
			defer mu.Unlock()
			if f.Outcome == journal.KeptAside {
				fates[f.Reason]++
			}
		}))
	}
	want := map[string]bool{}
	sent := int64(0)
	began := time.Now()
	for i := range n {
		received := t0.Add(time.Duration(i) * 10 * time.Millisecond)
		m := pool.draw(r)
		m.Received = received
		send(m)
		sent++
		if i%100 == 0 {
			good, row := goodMessage(i/100, received)
			want[row] = true
			send(good)
			if sent++; r.IntN(3) == 0 { // as a broker does with QoS 1
				good.Dup = true
				send(good)
				sent++
			}
		}
	}
	x.flush(t)
	took := time.Since(began)
	require.EqualValues(t, sent, answered.Load(), "each message is answered")
	require.Zero(t, refused.Load(), "and acknowledged")

	got := map[string]bool{}
	devices := []string{"good-1", "good-2", "good-3", "good-4", "good-d"}
	require.NoError(t, x.h.Readings(context.Background(), devices, t0.Add(-time.Hour), t0.Add(365*24*time.Hour), func(r reading.Reading) error {
		got[row(r)] = true
		return nil
	}))
	require.Equal(t, want, got, "all that is good is stored, and nothing else")

	s := x.Stats()
	require.Zero(t, s.Queue)
	require.Equal(t, sent, s.Received)
	kept := int64(0)
	for reason, count := range fates {
		// At least: what a message holds beside values that were stored is kept
		// aside under a reason, too, and so are readings that lose a conflict.
		require.GreaterOrEqual(t, s.Kept[reason], count, reason)
		kept += count
	}
	require.Equal(t, sent, s.Stored+s.Duplicates+s.Skipped+kept, "each has one outcome")
	require.NotContains(t, fates, "failed", "no decoder has failed")
	require.Greater(t, len(fates), 15, "the poison is of many kinds: %v", fates)

	var ring, lost int64
	list, err := x.j.KeptAside(context.Background(), 1_000_000)
	require.NoError(t, err)
	for _, k := range list {
		ring += int64(len(k.Topic) + len(k.Payload) + len(k.Detail))
	}
	for _, count := range s.Overwritten {
		lost += count
	}
	require.LessOrEqual(t, ring, int64(poisonRing))
	require.Positive(t, lost, "more came than the ring holds, and that is counted")
	unknown, err := x.j.Unknown(context.Background())
	require.NoError(t, err)
	require.LessOrEqual(t, len(unknown), 1000)
	peak := heap()
	require.Less(t, peak, uint64(poisonHeap), "bytes on the heap above those at the start")
	t.Logf("%d messages in %v, %.0f/s; at most %d MB on the heap; kept aside by %d reasons", sent, took.Round(time.Millisecond), float64(sent)/took.Seconds(), peak>>20, len(fates))
}

// A flood of the largest messages there can be stays within the same bounds.
func TestTheLargestMessagesDoNoHarm(t *testing.T) {
	x := startPoisoned(t)
	heap := watchHeap(t)
	var answered atomic.Int64
	n := rounds(600, 20_000)
	for i := range n {
		m := raw("lube/v1/riverside/d-1/pulse", t0.Add(time.Duration(i)*time.Second), "")
		m.Payload = bytes.Repeat([]byte("A"), 256<<10)
		m.Done = func(err error) {
			if err == nil {
				answered.Add(1)
			}
		}
		x.submit(t, m)
	}
	x.flush(t)
	require.EqualValues(t, n, answered.Load())
	require.Less(t, heap(), uint64(poisonHeap))
}

// startPoisoned is a terminal with messages in all forms and a small ring.
func startPoisoned(t *testing.T) *house {
	site := terminal(t, 2, 2)
	site.ID = "riverside"
	for i := range 4 {
		site.Machines = append(site.Machines, config.Machine{ID: fmt.Sprintf("good-%d", i+1), Area: "intake"})
	}
	site.Dispensers = append(site.Dispensers, config.Dispenser{ID: "good-d", Model: "m"})
	hours := func(topic, form, from string) mapping.Mapping {
		return mapping.Mapping{Topic: topic, Form: form, Values: []mapping.MappedValue{{From: from, As: "run.hours"}, {From: "pulses", As: "pulse.pulses"}, {From: "x.n", As: "pulse.count"}}}
	}
	site.Connections.Mappings = []mapping.Mapping{
		{Topic: "senml/+", Values: []mapping.MappedValue{{From: "terminal/{device}/hours", As: "run.hours"}}},
		hours("json/{device}", "json", "d.h[0].v"), hours("events/{device}", "cloudevents", "hours"), hours("opcua/{device}", "opcua", "5.Hours"),
		hours("homie/5/{device}/meter/#", "", "meter/hours"), hours("any/{device}", "", "hours"),
		{Topic: "bare/{device}", Form: "scalar", Values: []mapping.MappedValue{{As: "run.hours"}}},
	}
	site.Connections.Ignore = []string{"test/#"}
	require.NoError(t, site.Reindex())

	x := &house{path: filepath.Join(t.TempDir(), "journal.db"), checks: health.New(nil)}
	x.site.Store(site)
	var err error
	x.j, err = journal.Open(context.Background(), x.path, journal.Options{Health: x.checks, RawBytes: poisonRing, KeptBytes: poisonRing})
	require.NoError(t, err)
	x.Intake = NewIntake(x.site.Load, x.j, x.checks, nil)
	x.h = NewHistory(x.j, x.site.Load)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- x.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.ErrorIs(t, <-ended, context.Canceled)
		require.NoError(t, x.j.Close())
	})
	return x
}

// goodMessage is the i-th good one, with the row that it must become.
func goodMessage(i int, received time.Time) (m reading.Message, want string) {
	when := received.Add(-time.Second)
	hours := float64(i) / 4
	r := reading.Reading{Channel: reading.Channel{Quantity: reading.RunHours}, At: when, Value: hours, FromDevice: true}
	switch i % 5 {
	case 0:
		r.Device = "good-1"
		m = reading.Message{Topic: "lube/v1/riverside/good-1/run", Payload: fmt.Appendf(nil, `{"hours":%g,"at":%q}`, hours, at(when))}
	case 1:
		r.Device = "good-2"
		m = raw("senml/gw-1", received, `[{"bn":"terminal/good-2/","bt":%.3f,"n":"hours","u":"h","v":%g}]`, float64(when.UnixMilli())/1000, hours)
	case 2:
		r.Device = "good-3"
		m = raw("opcua/good-3", received, `{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Timestamp":%q,"Payload":{"Hours":{"Value":%g}}}]}`, at(when), hours)
	case 3:
		r.Device = "good-4"
		m = raw("json/good-4", received, `{"ts":%d,"d":{"h":[{"v":%g}]}}`, when.UnixMilli(), hours)
	default:
		r.Device, r.Quantity, r.Value, r.Count, r.Key = "good-d", reading.PulseIncrement, 2, 2, fmt.Sprintf("/terminal %d", i)
		m = raw("events/good-d", received, `{"specversion":"1.0","id":"%d","source":"/terminal","type":"pulse","time":%q,"data":{"pulses":2}}`, i, at(when))
	}
	m.Received = received
	return m, row(r)
}

func row(r reading.Reading) string {
	return fmt.Sprintf("%s %s %s %v %d %q", r.Device, r.Quantity, at(r.At), r.Value, r.Count, r.Key)
}

// poison draws messages that do no good. None speaks of a good device.
type poison struct {
	catalogue []reading.Message
	topics    []string
	seeds     []string
}

func newPoison(t *testing.T) *poison {
	p := &poison{}
	for _, path := range catalogueFiles(t) {
		a, err := txtar.ParseFile(path)
		require.NoError(t, err)
		for _, f := range a.Files {
			if f.Name != "in" {
				continue
			}
			for m, err := range replay.Read(bytes.NewReader(f.Data)) {
				require.NoError(t, err)
				p.catalogue = append(p.catalogue, m)
			}
		}
	}
	require.Greater(t, len(p.catalogue), 500)
	for _, device := range []string{"elevator-1", "elevator-2", "d-1", "d-2", "gw-1", "new-9", "", "a b", "\xff", strings.Repeat("x", 600)} {
		for _, kind := range []string{"run", "pulse", "dose", "level", "status", "change", "odd"} {
			p.topics = append(p.topics, "lube/v1/riverside/"+device+"/"+kind)
		}
		for _, front := range []string{"senml/", "json/", "events/", "opcua/", "homie/5/", "any/", "bare/", "test/", "spBv1.0/", "$SYS/"} {
			p.topics = append(p.topics, front+device)
		}
		p.topics = append(p.topics, "homie/5/"+device+"/meter/hours", "homie/5/"+device+"/$state", "lube/v1/elsewhere/"+device+"/run")
	}
	p.seeds = []string{
		``, `{}`, `[]`, `5`, `-0`, `true`, `"x"`, `null`, `NaN`, `{"hours":1e999,"count":18446744073709551615,"cm3":-1}`, `{"hours":"12,5 h","count":"1.5","cm3":"5 kg","running":"maybe"}`,
		`{"hours":100.5,"seconds":5,"at":"1970-01-01T00:00:37Z"}`, `{"count":5,"count":6,"Count":7}`, `{"pulses":3}`, `{"pulses":3,"id":"x"}`, `{"volume_cm3":1e9,"percent":200,"grams":5,"count_left":-1}`,
		`{"setting":{"pacing":"never"},"faults":["a",5],"every_s":-1,"supply_v":24}`, `{"ts":1792999140000,"d":{"h":[{"v":5}]}}`, `{"ts":"yesterday","hours":5}`,
		`[{"bn":"terminal/d-1/","bt":1.3e9,"n":"hours","u":"h","v":5},{"n":"hours","u":"lat","v":5,"s":1e308}]`, `[{"bver":42,"n":"a","v":1}]`, `[{"n":"a","v":1,"must_":1}]`, `[{"n":"terminal/new-7/hours","v":1}]`,
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","time":"2026-03-02T06:00:00Z","data":{"pulses":1,"hours":5}}`, `{"specversion":"0.3","id":"1","source":"/a","type":"t"}`,
		`{"specversion":"1.0","id":"1","source":"/a","type":"t","data_base64":"` + base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{0xFF, '['}, 500)) + `"}`,
		`{"MessageId":"1","MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Status":2147483648,"Payload":{"Hours":{"Value":5,"StatusCode":"Bad"}}}]}`,
		`{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"MessageType":"ua-keepalive"}]}`, "ready", "lost", "12.5 h", "\x00\x00", "\xEF\xBB\xBF", "\xFF\xFE{\x00}\x00", "\x08\x96\x01\x12\x00",
		strings.Repeat("[", 5000), strings.Repeat(`{"a":`, 2000), `{"a":[` + strings.Repeat("1,", 20000) + `1]}`, `{"a":"` + strings.Repeat(`\u0041`, 3000) + `"}`,
	}
	return p
}

// draw gives one more message.
func (p *poison) draw(r *rand.Rand) reading.Message {
	m := reading.Message{Topic: p.topics[r.IntN(len(p.topics))], Retained: r.IntN(10) == 0}
	switch k := r.IntN(100); {
	case k < 30: // the catalogue, as it is
		m = p.catalogue[r.IntN(len(p.catalogue))]
	case k < 40: // its payloads elsewhere
		m.Payload = p.catalogue[r.IntN(len(p.catalogue))].Payload
	case k < 60:
		m.Payload = []byte(p.seeds[r.IntN(len(p.seeds))])
	case k < 90: // broken
		m.Payload = broken(r, slices.Clone([]byte(p.seeds[r.IntN(len(p.seeds))])))
	case k < 96: // noise
		m.Payload = make([]byte, r.IntN(2000))
		for i := range m.Payload {
			m.Payload[i] = byte(r.Uint32())
		}
	case k < 98: // devices that nobody knows
		m.Topic = fmt.Sprintf("lube/v1/riverside/x-%d/run", r.IntN(3000))
		m.Payload = []byte(`{"hours":5}`)
	default: // large, or too large
		m.Payload = bytes.Repeat([]byte("A"), 200<<10+r.IntN(100<<10))
	}
	return m
}

// broken changes a payload in one to three places.
func broken(r *rand.Rand, b []byte) []byte {
	for range 1 + r.IntN(3) {
		if len(b) == 0 {
			return []byte{byte(r.Uint32())}
		}
		at := r.IntN(len(b))
		switch r.IntN(6) {
		case 0:
			b = b[:at]
		case 1:
			b[at] ^= 1 << r.IntN(8)
		case 2:
			b = slices.Insert(b, at, []byte(`{}[]",:0e-+\`)[r.IntN(12)])
		case 3:
			b = append(b, b[at:]...)
		case 4:
			b = slices.Delete(b, at, min(len(b), at+1+r.IntN(8)))
		default:
			b[at] = byte(r.Uint32())
		}
	}
	return b
}

// watchHeap samples what is on the heap; the function it gives tells the most
// above the start.
func watchHeap(t *testing.T) func() uint64 {
	runtime.GC()
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	read := func() uint64 {
		metrics.Read(sample)
		return sample[0].Value.Uint64()
	}
	start, most := read(), uint64(0)
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-stop:
				tick.Stop()
				return
			case <-tick.C:
				most = max(most, read())
			}
		}
	}()
	var once sync.Once
	end := func() { once.Do(func() { close(stop); <-ended }) }
	t.Cleanup(end)
	return func() uint64 {
		end()
		return max(most, start) - start
	}
}
