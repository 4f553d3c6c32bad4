package collector

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/mapping"
)

// hubSite is the terminal with a hub whose messages hold several devices.
func hubSite(t testing.TB, values ...mapping.MappedValue) *config.Site {
	t.Helper()
	site := terminal(t, 1, 2)
	site.Connections.Mappings = []mapping.Mapping{{Topic: "hub/{channel}", Values: values}}
	site.Connections.Ignore = []string{"hub/test"}
	require.NoError(t, site.Reindex())
	return site
}

func hub(channel string, i int, payload string) reading.Message {
	return reading.Message{Topic: "hub/" + channel, Payload: []byte(payload), Received: t0.Add(time.Duration(i) * time.Minute)}
}

func TestMappedMessagesAreStored(t *testing.T) {
	x := start(t, hubSite(t, mapping.MappedValue{From: "{device}.n", As: "pulse.count"}))
	x.submit(t,
		hub("a", 0, `{"d-1":{"n":10},"d-2":{"n":20},"note":1}`),
		hub("a", 1, `{"d-1":{"n":11},"new-9":{"n":5}}`),
		hub("test", 2, `{"d-1":{"n":12}}`),
		hub("a", 3, `{"new-9":{"n":6}}`),
		hub("a", 4, `{"d-1":{"n":13},"d-2":{"n":-1}}`),
		reading.Message{Topic: "elsewhere/x", Payload: []byte("1"), Received: t0},
	)
	x.flush(t)
	s := x.Stats()
	require.EqualValues(t, 2, s.Stored)
	require.EqualValues(t, 1, s.Ignored)
	require.EqualValues(t, 1, s.Skipped)
	require.EqualValues(t, 2, s.Unknown)
	require.Equal(t, map[string]int64{decode.UnknownDevice.String(): 2, decode.OutOfRange.String(): 1, decode.BadTopic.String(): 1}, s.Kept)
	require.EqualValues(t, 3, s.Rows, "10 and 20, then 11; nothing of what was refused")

	kept, err := x.j.KeptAside(t.Context(), 10)
	require.NoError(t, err)
	require.Len(t, kept, 4)
	beside := kept[3]
	require.Equal(t, "new-9", beside.Device)
	require.JSONEq(t, `{"d-1":{"n":11},"new-9":{"n":5}}`, string(beside.Payload), "all of it, so that it can be fed in again")
}

func TestAChangedMappingCountsFromTheNextMessage(t *testing.T) {
	x := start(t, hubSite(t, mapping.MappedValue{From: "n", As: "pulse.count", Device: "d-1"}))
	x.submit(t, hub("a", 0, `{"n":10,"m":20}`))
	x.settle(t)
	x.site.Store(hubSite(t, mapping.MappedValue{From: "m", As: "pulse.count", Device: "d-2"}))
	x.submit(t, hub("a", 1, `{"n":11,"m":21}`))
	x.flush(t)
	for device, want := range map[string]int64{"d-1": 10, "d-2": 21} {
		var got []int64
		require.NoError(t, x.j.Readings(t.Context(), []string{device}, t0.Add(-time.Hour), t0.Add(time.Hour), func(r reading.Reading) error {
			got = append(got, r.Count)
			return nil
		}))
		require.Equal(t, []int64{want}, got, device)
	}
}

func TestAChangeOfTheUnitOfTimesIsNoticed(t *testing.T) {
	x := start(t, hubSite(t, mapping.MappedValue{From: "n", As: "pulse.count", Device: "d-1"}))
	send := func(i int, unit time.Duration) {
		at := t0.Add(time.Duration(i) * time.Minute)
		x.submit(t, hub("a", i, fmt.Sprintf(`{"n":%d,"ts":%d}`, i, at.UnixNano()/int64(unit))))
		x.settle(t)
	}
	for i := range 2 {
		send(i, time.Second)
	}
	send(2, time.Millisecond)
	require.Empty(t, x.check(checkUnits).What, "two do not pin it")
	for i := range 3 {
		send(3+i, time.Second)
	}
	require.Empty(t, x.check(checkUnits).What)
	send(6, time.Millisecond)
	c := x.check(checkUnits)
	require.Equal(t, health.Warn, c.Level)
	require.Contains(t, c.What, "d-1 sent the time of its pulse in ms, before in s")
	send(7, time.Millisecond)
	require.Equal(t, health.Warn, x.check(checkUnits).Level)
	send(8, time.Millisecond)
	require.Equal(t, health.Ok, x.check(checkUnits).Level, "three agree again")
	require.Zero(t, x.Stats().BadTimes, "it was right all the time")
}
