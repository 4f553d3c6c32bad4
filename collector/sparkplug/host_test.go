package sparkplug_test

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/sparkplug"
	"dwindle/collector/sparkplug/wire"
)

type sent struct {
	topic   string
	payload []byte
}

func ptr[T any](x T) *T { return &x }

// session draws what one edge node with two devices sends: births first, then
// data by alias, deaths and births of devices.
func session(t *rapid.T, first uint8, deaths bool) []sent {
	seq, clock := first, uint64(epoch.UnixMilli())
	var out []sent
	send := func(word, device string, metrics ...wire.Metric) {
		topic := "spBv1.0/terminal/" + word + "/gw"
		if device != "" {
			topic += "/" + device
		}
		p := wire.Payload{Time: ptr(clock), Seq: ptr(uint64(seq)), Metrics: metrics}
		out = append(out, sent{topic, wire.Encode(p)})
		seq++ // wraps behind 255
		clock += 10
	}
	count := func(name string, alias uint64) wire.Metric {
		return wire.Metric{Name: name, Alias: ptr(alias), Datatype: wire.UInt32, Value: wire.Value{Field: wire.IntField}}
	}
	send("NBIRTH", "", wire.Metric{Name: "bdSeq", Datatype: wire.UInt64, Value: wire.Value{Field: wire.LongField}}, count("own", 1))
	send("DBIRTH", "a", count("a/count", 2))
	send("DBIRTH", "b", count("b/count", 3))
	alive := map[string]bool{"a": true, "b": true}
	for i := range rapid.IntRange(1, 60).Draw(t, "messages") {
		value := wire.Value{Field: wire.IntField, Bits: uint64(i)}
		device := rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "device")
		alias := map[string]uint64{"": 1, "a": 2, "b": 3}[device]
		switch {
		case device == "":
			send("NDATA", "", wire.Metric{Alias: &alias, Value: value})
		case !alive[device]:
			send("DBIRTH", device, count(device+"/count", alias))
			alive[device] = true
		case deaths && rapid.IntRange(0, 9).Draw(t, "dies") == 0:
			send("DDEATH", device)
			alive[device] = false
		default:
			send("DDATA", device, wire.Metric{Alias: &alias, Value: value})
		}
	}
	return out
}

// receive gives all to a host within its reorder time and tells what it stored.
func receive(t *rapid.T, all []sent) (stored []string, host *sparkplug.Host) {
	host, err := sparkplug.New(sparkplug.Options{})
	require.NoError(t, err)
	host.Opening(epoch)
	host.Opened(epoch)
	now := epoch
	take := func(o sparkplug.Outcome) {
		for _, m := range o.Messages {
			stored = append(stored, fmt.Sprintf("%s %x", m.Topic, m.Payload))
		}
	}
	for _, m := range all {
		now = now.Add(time.Millisecond)
		take(host.Receive(m.topic, m.payload, false, now))
	}
	take(host.Tick(now.Add(time.Minute)))
	return stored, host
}

// Whatever the order in which messages arrive within the reorder time, the
// same is stored in the same order, and no birth is asked for. Where the
// numbers begin, and so where they wrap, makes no difference.
func TestTheOrderOfArrivalMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := session(t, rapid.Byte().Draw(t, "first"), true)
		want, host := receive(t, all)
		require.Len(t, want, len(all))
		require.Zero(t, host.Stats().Requests)
		require.Zero(t, host.Stats().Unresolved)

		// Neighbours change places, over a distance that stays within what is
		// held back.
		mixed := append([]sent(nil), all...)
		for at := 0; at < len(mixed); {
			n := rapid.IntRange(1, 30).Draw(t, "of these")
			part := mixed[at:min(at+n, len(mixed))]
			copy(part, rapid.Permutation(part).Draw(t, "order"))
			at += n
		}
		got, host := receive(t, mixed)
		require.Equal(t, want, got)
		require.Zero(t, host.Stats().Requests)
		_, waits := host.Due()
		require.False(t, waits)
	})
}

// A message that is missing stops nothing for good: after the next births the
// host is where it would have been.
func TestOneLostMessageIsMadeUpForByABirth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := session(t, rapid.Byte().Draw(t, "first"), true)
		lost := rapid.IntRange(0, len(all)-2).Draw(t, "lost")
		_, host := receive(t, append(append([]sent(nil), all[:lost]...), all[lost+1:]...))
		require.Equal(t, uint64(1), host.Stats().Requests)
		now := epoch.Add(2 * time.Minute)
		var stored int
		for _, m := range session(t, rapid.Byte().Draw(t, "next first"), true) {
			now = now.Add(time.Millisecond)
			stored += len(host.Receive(m.topic, m.payload, false, now).Messages)
		}
		require.Equal(t, 1, host.Standing().Edges[sparkplug.Online])
		require.Empty(t, host.Standing().Waiting)
		_, waits := host.Due()
		require.False(t, waits)
		require.Positive(t, stored)
	})
}

// Behind a lost message aliases are in doubt until the next births say the same
// of them; then only what was lost is missing.
func TestNothingBehindAGapIsLostWhereTheNextBirthsSayTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := session(t, rapid.Byte().Draw(t, "first"), false)
		births, data := all[:3], all[3:]
		lost := rapid.IntRange(0, len(data)-1).Draw(t, "lost")
		host, err := sparkplug.New(sparkplug.Options{})
		require.NoError(t, err)
		host.Opening(epoch)
		host.Opened(epoch)
		now, stored := epoch, map[string]bool{}
		take := func(o sparkplug.Outcome) {
			for _, m := range o.Messages {
				p, err := wire.Decode(m.Payload)
				require.NoError(t, err)
				for _, one := range p.Metrics {
					stored[fmt.Sprint(one.Name, one.Value.Bits, one.Datatype)] = true
				}
			}
		}
		for i, m := range append(append(append([]sent(nil), births...), data[:lost]...), data[lost+1:]...) {
			now = now.Add(time.Duration(i) * 10 * time.Millisecond)
			for due, ok := host.Due(); ok && !due.After(now); due, ok = host.Due() {
				take(host.Tick(due))
			}
			take(host.Receive(m.topic, m.payload, false, now))
		}
		now = now.Add(time.Minute)
		for due, ok := host.Due(); ok && !due.After(now) && host.Stats().Requests < 1; due, ok = host.Due() {
			take(host.Tick(due))
		}
		for _, m := range births {
			now = now.Add(time.Millisecond)
			p, err := wire.Decode(m.payload)
			require.NoError(t, err)
			p.Time = ptr(uint64(now.UnixMilli()))
			take(host.Receive(m.topic, wire.Encode(p), false, now))
		}
		for i, m := range data {
			p, err := wire.Decode(m.payload)
			require.NoError(t, err)
			name := map[uint64]string{1: "own", 2: "a/count", 3: "b/count"}[*p.Metrics[0].Alias]
			if i != lost {
				require.True(t, stored[fmt.Sprint(name, p.Metrics[0].Value.Bits, wire.UInt32)], "message %d, lost was %d", i, lost)
			}
		}
		require.Zero(t, host.Stats().Unresolved)
	})
}

// What is held back is bounded in memory, however small its metrics are on the
// wire.
func TestWhatIsHeldBackIsBounded(t *testing.T) {
	host, err := sparkplug.New(sparkplug.Options{})
	require.NoError(t, err)
	p := wire.Payload{Time: ptr(uint64(epoch.UnixMilli())), Seq: ptr(uint64(5)), Metrics: make([]wire.Metric, wire.MaxMetrics)}
	payload := wire.Encode(p)
	require.Less(t, len(payload), 32<<10)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for i := range 20 {
		host.Receive(fmt.Sprintf("spBv1.0/terminal/NDATA/gw-%d", i), payload, false, epoch)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	require.Less(t, int64(after.HeapAlloc)-int64(before.HeapAlloc), int64(64<<20))
	require.Positive(t, host.Stats().Refused)
}

// Behind a gap no more than 64 messages are waited with; then the gap is one.
func TestTooManyMessagesBehindAGapEndTheWaiting(t *testing.T) {
	host, err := sparkplug.New(sparkplug.Options{})
	require.NoError(t, err)
	host.Opening(epoch)
	host.Opened(epoch)
	send := func(word string, seq uint64) sparkplug.Outcome {
		ms := uint64(epoch.UnixMilli()) + seq
		return host.Receive("spBv1.0/terminal/"+word+"/gw", wire.Encode(wire.Payload{Time: &ms, Seq: &seq}), false, epoch)
	}
	send("NBIRTH", 0)
	for seq := range uint64(64) {
		require.Empty(t, send("NDATA", seq+2).Publish)
	}
	out := send("NDATA", 66)
	require.Len(t, out.Publish, 1)
	require.Equal(t, sparkplug.Stale, out.Changes[0].State)
}

func TestALargeBirthIsHandedOnInParts(t *testing.T) {
	host, err := sparkplug.New(sparkplug.Options{})
	require.NoError(t, err)
	p := wire.Payload{Time: ptr(uint64(epoch.UnixMilli())), Seq: ptr(uint64(0))}
	for i := range 8000 {
		p.Metrics = append(p.Metrics, wire.Metric{Name: fmt.Sprintf("conveyor line %04d/drive/run hours", i), Datatype: wire.Double, Value: wire.Value{Field: wire.DoubleField, Real: 1}})
	}
	payload := wire.Encode(p)
	require.Greater(t, len(payload), 256<<10)
	out := host.Receive("spBv1.0/terminal/NBIRTH/gw", payload, false, epoch)
	require.Greater(t, len(out.Messages), 1)
	metrics := 0
	for _, m := range out.Messages {
		require.LessOrEqual(t, len(m.Payload), 200<<10)
		part, err := wire.Decode(m.Payload)
		require.NoError(t, err)
		require.Equal(t, p.Time, part.Time)
		metrics += len(part.Metrics)
	}
	require.Equal(t, 8001, metrics, "with $online")
}

func TestEdgeNodesWithoutEndAreBounded(t *testing.T) {
	host, err := sparkplug.New(sparkplug.Options{})
	require.NoError(t, err)
	birth := wire.Encode(wire.Payload{Time: ptr(uint64(epoch.UnixMilli())), Seq: ptr(uint64(0)), Metrics: []wire.Metric{{Name: "n", Datatype: wire.Int32, Value: wire.Value{Field: wire.IntField, Bits: 1}}}})
	for i := range 5000 {
		out := host.Receive(fmt.Sprintf("spBv1.0/terminal/NBIRTH/gw-%d", i), birth, false, epoch)
		require.Len(t, out.Messages, 1, "what cannot be followed is handed on all the same")
	}
	require.Equal(t, 4096, host.Standing().Edges[sparkplug.Online])
	require.Equal(t, uint64(5000-4096), host.Stats().Refused)
	// Those that are away make room.
	host.Closed(epoch)
	host.Opening(epoch)
	host.Opened(epoch)
	host.Receive("spBv1.0/terminal/NBIRTH/another", birth, false, epoch)
	require.Equal(t, 1, host.Standing().Edges[sparkplug.Online])
	require.Equal(t, 4095, host.Standing().Edges[sparkplug.Unknown])
}

func TestOptionsAreChecked(t *testing.T) {
	for id, ok := range map[string]bool{"dwindle": true, "": false, "a/b": false, "a+": false, "#": false, "$x": false} {
		_, err := sparkplug.New(sparkplug.Options{ID: id, Primary: true})
		require.Equal(t, ok, err == nil, id)
	}
	_, err := sparkplug.New(sparkplug.Options{Reorder: -time.Second})
	require.ErrorContains(t, err, "try: 3s")
}

func TestStatesOfHostsAreRead(t *testing.T) {
	for text, want := range map[string]struct{ online, ok bool }{
		`{"online":true,"timestamp":1668114759262}`:  {true, true}, // the form of chapter 6, "STATE"
		`{"online":false,"timestamp":1668114759262}`: {false, true},
		`{"timestamp":1,"online":true,"more":[]}`:    {true, true},
		"ONLINE":           {true, true}, // before version 3
		"OFFLINE":          {false, true},
		"":                 {false, false},
		"online":           {false, false},
		`{"online":"yes"}`: {false, false},
		`{"timestamp":1}`:  {false, false},
	} {
		online, ok := sparkplug.ParseState([]byte(text))
		require.Equal(t, want.ok, ok, text)
		require.Equal(t, want.online, online, text)
	}
}

// FuzzHost feeds messages of arbitrary types, numbers and bytes: nothing
// panics, what is held back stays bounded, and every timer that is asked for
// does something.
func FuzzHost(f *testing.F) {
	f.Add([]byte{0, 0, 1, 3, 1, 2, 4, 2, 3})
	f.Add([]byte{3, 1, 1, 0, 0, 1, 5, 9, 9, 2, 0, 0})
	words := []string{"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH", "NCMD", "x"}
	f.Fuzz(func(t *testing.T, in []byte) {
		host, err := sparkplug.New(sparkplug.Options{ID: "h", Primary: true})
		require.NoError(t, err)
		host.Opening(epoch)
		host.Opened(epoch)
		now := epoch
		for len(in) >= 3 {
			a, b, c := in[0], in[1], in[2]
			in = in[3:]
			now = now.Add(time.Duration(c) * 20 * time.Millisecond)
			word := words[a%8]
			topic := fmt.Sprintf("spBv1.0/g/%s/e%d", word, a>>3&1)
			if word[0] == 'D' {
				topic += fmt.Sprintf("/d%d", a>>4&1)
			}
			p := wire.Payload{Time: ptr(uint64(now.UnixMilli()) - uint64(c)), Seq: ptr(uint64(b)), Metrics: []wire.Metric{
				{Name: "bdSeq", Datatype: wire.UInt64, Value: wire.Value{Field: wire.LongField, Bits: uint64(c & 1)}},
				{Alias: ptr(uint64(c & 3)), Value: wire.Value{Field: wire.IntField, Bits: 1}},
			}}
			if word == "NBIRTH" || word == "DBIRTH" {
				p.Metrics[1].Name, p.Metrics[1].Datatype = "n", wire.Int8
			}
			payload := wire.Encode(p)
			if a >= 0xf0 {
				payload = in
			}
			out := host.Receive(topic, payload, a>>5&7 == 7, now)
			for _, m := range out.Messages {
				p, err := wire.Decode(m.Payload)
				for _, metric := range p.Metrics {
					require.True(t, err != nil || metric.Name != "")
				}
			}
			require.NoError(t, host.Sound())
			for range 1000 {
				due, ok := host.Due()
				if !ok || due.After(now) {
					break
				}
				host.Tick(now)
			}
			due, ok := host.Due()
			require.True(t, !ok || due.After(now), "what was due has been done")
			if a == 0xee {
				host.Closed(now)
				require.NoError(t, host.Sound())
				host.Opening(now)
				host.Opened(now)
			}
		}
	})
}
