package collector

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/mapping"
)

// mapped is a small terminal whose messages come in the forms of standards.
func mappedSite(t testing.TB) *config.Site {
	s := terminal(t, 2, 2)
	s.Connections.Mappings = []mapping.Mapping{
		{Topic: "events/{device}", Values: []mapping.MappedValue{{From: "pulses", As: "pulse.pulses"}}},
		{Topic: "senml/#", Values: []mapping.MappedValue{
			{From: "terminal/{machine}/hours", As: "run.hours"}, {From: "terminal/{device}/pulses", As: "pulse.count"},
		}},
		{Topic: "opcua/json/data/#", Values: []mapping.MappedValue{{From: "{device}.Pulses", As: "pulse.count"}}},
		{Topic: "homie/5/{device}/$state", Values: []mapping.MappedValue{{As: "status.online"}}},
	}
	require.NoError(t, s.Reindex())
	return s
}

func raw(topic string, received time.Time, payload string, args ...any) reading.Message {
	return reading.Message{Topic: topic, Payload: fmt.Appendf(nil, payload, args...), Received: received}
}

// A broker delivers a message of QoS 1 twice; the event's source and id say
// that it is the same.
func TestAnEventCountsOnce(t *testing.T) {
	x := start(t, mappedSite(t))
	event := func(source, id string, pulses int) reading.Message {
		return raw("events/d-1", t0.Add(time.Minute), `{"specversion":"1.0","id":%q,"source":%q,"type":"pulse","time":%q,"data":{"pulses":%d}}`, id, source, at(t0), pulses)
	}
	again := event("/terminal/d-1", "1", 3)
	again.Dup = true
	later := event("/terminal/d-1", "1", 3)
	later.Received = t0.Add(time.Hour)
	x.submit(t, event("/terminal/d-1", "1", 3), again, later,
		event("/terminal/d-1", "2", 4),  // another event
		event("/terminal/else", "1", 5)) // another source
	x.flush(t)
	var total, n int64
	require.NoError(t, x.h.Readings(context.Background(), []string{"d-1"}, t0.Add(-time.Hour), t0.Add(2*time.Hour), func(r reading.Reading) error {
		require.Equal(t, reading.PulseIncrement, r.Quantity)
		total += r.Count
		n++
		return nil
	}))
	require.EqualValues(t, 3, n)
	require.EqualValues(t, 12, total)
	s := x.Stats()
	require.EqualValues(t, 3, s.Stored)
	require.EqualValues(t, 2, s.Duplicates)
	require.Empty(t, s.Kept)
}

// What a SenML record promises about the next one is the interval by which a
// device's silence is judged.
func TestAPromisedIntervalIsTheDevices(t *testing.T) {
	x := start(t, mappedSite(t))
	pack := func(when time.Time, more string) reading.Message {
		return raw("senml/gw-1", when, `[{"bn":"terminal/elevator-1/","bt":%d,"n":"hours","u":"h","v":100%s}]`, when.Unix(), more)
	}
	x.submit(t, pack(t0, ""))
	x.flush(t)
	_, every, ok, err := x.h.LastSeen(context.Background(), "elevator-1", t0.Add(time.Hour))
	require.NoError(t, err)
	require.True(t, ok)
	require.Zero(t, every, "not promised, not yet learned")

	x.submit(t, pack(t0.Add(time.Minute), `,"ut":90`))
	x.flush(t)
	seen, every, ok, err := x.h.LastSeen(context.Background(), "elevator-1", t0.Add(time.Hour))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, 90*time.Second, every)
	require.Equal(t, t0.Add(time.Minute), seen.UTC())
}

// A pack of buffered records ends as its records one by one would, in whatever
// order they stand in it.
func TestABufferedPackIsItsRecords(t *testing.T) {
	last := func(messages ...reading.Message) []reading.Day {
		x := start(t, mappedSite(t))
		x.submit(t, messages...)
		x.flush(t)
		return x.days(t, x.h, "d-1", reading.Pulse, "2026-03-02", "2026-03-02")
	}
	one := func(hours, count int) reading.Message {
		return raw("senml/gw-1", t0.Add(6*time.Hour), `[{"n":"terminal/d-1/pulses","t":%d,"v":%d}]`, t0.Add(time.Duration(hours)*time.Hour).Unix(), count)
	}
	want := last(one(0, 100), one(1, 110), one(2, 121), one(3, 130))
	require.Equal(t, 30.0, want[0].Amount)
	require.Equal(t, want, last(raw("senml/gw-1", t0.Add(6*time.Hour),
		`[{"bn":"terminal/d-1/pulses","bt":%d,"bv":100,"t":10800,"v":30},{"t":3600,"v":10},{"v":0},{"t":7200,"v":21}]`, t0.Unix())))
}

// Messages that are known and have no values are acknowledged and leave
// nothing, not even an entry among the messages kept aside.
func TestWhatHasNoValuesLeavesNothing(t *testing.T) {
	x := start(t, mappedSite(t))
	x.submit(t,
		raw("opcua/json/data/gw-1", t0, `{"MessageType":"ua-data","MessageId":"1","Messages":[{"DataSetWriterName":"d-1","MessageType":"ua-keepalive"}]}`),
		raw("opcua/json/metadata/gw-1", t0, `{"MessageType":"ua-metadata"}`), // not mapped: kept aside
		raw("homie/5/d-1/$state", t0, "sleeping"),
		raw("homie/5/d-1/$state", t0, "lost"),
		raw("opcua/json/data/gw-1", t0, `{"MessageType":"ua-data","Messages":[{"DataSetWriterName":"d-2","Payload":{"Pulses":{"Value":7,"StatusCode":0}}}]}`))
	x.flush(t)
	s := x.Stats()
	require.EqualValues(t, 5, s.Received)
	require.EqualValues(t, 2, s.Stored)
	require.Equal(t, map[string]int64{"bad_topic": 1}, s.Kept)
	require.EqualValues(t, 2, s.Rows)
}
