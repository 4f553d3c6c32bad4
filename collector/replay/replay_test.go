package replay_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/collector/replay"
)

func all(t require.TestingT, log string) (ms []reading.Message, faults []error) {
	for m, err := range replay.Read(strings.NewReader(log)) {
		if err != nil {
			faults = append(faults, err)
			continue
		}
		ms = append(ms, m)
	}
	return ms, faults
}

func TestReadTakesEveryFormOfPayload(t *testing.T) {
	ms, faults := all(t, `
{"received":"2026-11-20T06:00:00Z","topic":"lube/v1/quay/be-01/run","payload":{"hours": 12.5}}
{"received":"2026-11-20T07:00:00+01:00","topic":"t","payload":"on","retained":true}
{"received":"2026-11-20T06:00:00Z","topic":"t","payload_base64":"/wA=","dup":true}
{"received":"2026-11-20T06:00:00Z","topic":"t"}
`)
	require.Empty(t, faults)
	require.Len(t, ms, 4)
	require.Equal(t, `{"hours": 12.5}`, string(ms[0].Payload))
	require.Equal(t, "on", string(ms[1].Payload))
	require.True(t, ms[1].Retained)
	require.Equal(t, time.Date(2026, 11, 20, 6, 0, 0, 0, time.UTC), ms[1].Received)
	require.Equal(t, []byte{0xff, 0}, ms[2].Payload)
	require.True(t, ms[2].Dup)
	require.Empty(t, ms[3].Payload)
}

func TestFaultyLinesAreNamedAndPassedOver(t *testing.T) {
	ms, faults := all(t, "{\"received\":\n"+
		`{"topic":"t","payload":"x"}`+"\n"+
		`{"received":"2026-11-20T06:00:00Z","payload":"x"}`+"\n"+
		`{"received":"2026-11-20T06:00:00Z","topic":"t","payload":"x","payload_base64":"eA=="}`+"\n"+
		`{"received":"2026-11-20T06:00:00Z","topic":"t","payload":"x"}`)
	require.Len(t, ms, 1)
	require.Len(t, faults, 4)
	for i, err := range faults {
		var at *replay.LineError
		require.ErrorAs(t, err, &at)
		require.Equal(t, i+1, at.Line)
	}
}

func TestALineTooLongIsPassedOver(t *testing.T) {
	good := `{"received":"2026-03-02T08:10:00Z","topic":"a","payload":"1"}`
	ms, faults := all(t, good+"\n"+strings.Repeat("x", replay.MaxLine+1)+"\n"+good)
	require.Len(t, ms, 2)
	require.Len(t, faults, 1)
	require.ErrorContains(t, faults[0], "line 2: longer")
	var at *replay.LineError
	require.ErrorAs(t, faults[0], &at)
}

func TestWhatIsWrittenComesBackByteForByte(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		payload := rapid.OneOf(
			rapid.SliceOf(rapid.Byte()),
			rapid.Map(rapid.StringMatching(`\{"a": ?"[<>&é ]{0,5}"\}`), func(s string) []byte { return []byte(s) }),
		).Draw(t, "payload")
		in := reading.Message{Topic: "lube/v1/quay/fan-2/run", Payload: payload, Received: time.UnixMilli(1793000000123).UTC(), Retained: rapid.Bool().Draw(t, "retained"), Source: "replay"}
		var buf bytes.Buffer
		w := replay.NewWriter(&buf)
		require.NoError(t, w.Write(in))
		require.NoError(t, w.Flush())
		ms, faults := all(t, buf.String())
		require.Empty(t, faults)
		require.Len(t, ms, 1)
		require.Equal(t, string(in.Payload), string(ms[0].Payload))
		in.Payload, ms[0].Payload = nil, nil
		require.Equal(t, in, ms[0])
	})
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"received":"2026-11-20T06:00:00Z","topic":"t","payload":"x"}`))
	f.Fuzz(func(t *testing.T, log []byte) {
		for range replay.Read(bytes.NewReader(log)) {
		}
	})
}
