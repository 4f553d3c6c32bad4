package decode

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
)

func TestTimesOfDevices(t *testing.T) {
	// 1793000000 s is 2026-10-26T07:33:20Z; the messages here are received at
	// 07:20, so that one lies ahead and 1792999000 (07:16:40) does not.
	const own = "2026-10-26T07:16:40"
	for at, want := range map[string]string{
		`1792999000`:                      own + "Z",
		`1792999000000`:                   own + "Z",
		`1792999000000000`:                own + "Z",
		`1792999000000000000`:             own + "Z",
		`1792999000.25`:                   own + ".25Z",
		`1.792999e9`:                      own + "Z",
		`1792999000123.4`:                 own + ".123Z",
		`1.792999e18`:                     own + "Z",
		`"1792999000"`:                    own + "Z",
		`"2026-10-26T07:16:40Z"`:          own + "Z",
		`"2026-10-26T08:16:40.5+01:00"`:   own + ".5Z",
		`"2026-10-26t08:16:40.0004+0100"`: own + "Z", // to the millisecond
		`"2026-10-26 07:16:40Z"`:          own + "Z",
		`"2026-10-26T07:16Z"`:             "2026-10-26T07:16:00Z",
		`" 2026-10-26T07:16:40Z "`:        own + "Z",
		`"2016-12-31T23:59:60Z"`:          "", // a leap second, before 2020
		`"2026-06-30T23:59:60Z"`:          "2026-07-01T00:00:00Z",
		`1577836800`:                      "2020-01-01T00:00:00Z", // the first time believed
		`1577836799`:                      "",
		`"2026-10-26T07:25:00Z"`:          "2026-10-26T07:25:00Z", // five minutes ahead
		`"2026-10-26T07:25:00.001Z"`:      "",
		`37`:                              "", // seconds since boot
		`0`:                               "",
		`-5`:                              "",
		`"2000-01-01T00:03:11Z"`:          "",
		`1793258200`:                      "", // three days ahead
		`"2026-10-26T08:19:50"`:           "", // no zone
		`"2026-10-26 08:19"`:              "",
		`null`:                            "",
		`""`:                              "",
		`nan`:                             "",
	} {
		d, kept := decode(send("lub-7/pulse", `{"count":1,"at":`+at+`}`))
		require.Nil(t, kept, at)
		r := d.Readings[0]
		require.Equal(t, received, r.Received)
		if want == "" {
			require.Equal(t, received, r.At, at)
			require.False(t, r.FromDevice, at)
			require.Equal(t, reading.ReceiveTime, r.Flags, at)
			if silent := at == "null" || at == `""` || at == "nan"; !silent {
				require.NotEmpty(t, d.RawAt, at)
				require.NotEmpty(t, d.Hint, at)
			}
			continue
		}
		require.Equal(t, want, r.At.Format(time.RFC3339Nano), at)
		require.True(t, r.FromDevice)
		require.Zero(t, r.Flags)
		require.Empty(t, d.Hint)
	}
}

func TestNoUnitFitsBetweenTheBands(t *testing.T) {
	for _, at := range []string{`1e10`, `10000000000`, `999999999999`, `1e13`, `1e14`, `1e17`, `9.3e18`, `1e400`, `"tomorrow"`, `"26.10.2026 07:16"`, `{}`, `[1792999000]`} {
		_, kept := decode(send("lub-7/pulse", `{"count":1,"at":`+at+`}`))
		require.NotNil(t, kept, at)
		require.Equal(t, BadTime.String(), kept.Reason.String(), at)
	}
}

func TestHintNamesTheLikelyZone(t *testing.T) {
	d, kept := decode(send("lub-7/pulse", `{"count":1,"at":"2026-10-26T08:19:50"}`))
	require.Nil(t, kept)
	require.Equal(t, "2026-10-26T08:19:50", d.RawAt)
	require.Contains(t, d.Hint, "UTC+01:00")
	d, _ = decode(send("lub-7/pulse", `{"count":1,"at":"2026-10-26T03:50:00"}`))
	require.Contains(t, d.Hint, "UTC-03:30")
	d, _ = decode(send("lub-7/pulse", `{"count":1,"at":"2026-10-20T03:50:00"}`))
	require.NotContains(t, d.Hint, "UTC")
	// 72 h less the 3 min 20 s between 07:16:40 and the receive time.
	d, _ = decode(send("lub-7/pulse", `{"count":1,"at":1793258200}`))
	require.Contains(t, d.Hint, "ahead by 71h57m")
}

func TestUnixTimesOfAllUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.Int64Range(1_577_836_800_000, received.UnixMilli()).Draw(t, "ms")
		for _, text := range []string{
			fmt.Sprint(ms), fmt.Sprint(ms * 1000), fmt.Sprint(ms * 1_000_000),
			fmt.Sprintf("%d.%03d", ms/1000, ms%1000),
			fmt.Sprintf("%q", time.UnixMilli(ms).UTC().Format(time.RFC3339Nano)),
		} {
			d, kept := decode(send("lub-7/pulse", `{"count":1,"at":`+text+`}`))
			require.Nil(t, kept)
			require.Equal(t, ms, d.Readings[0].At.UnixMilli(), text)
		}
	})
}
