package collector

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/collector/simulate"
)

// A plant whose devices do no more than go silent, restart and glitch now and
// then must not come under suspicion: what is held back is missed in forecasts.
func TestASoundPlantIsNotSuspected(t *testing.T) {
	for _, seed := range []uint64{901} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			plant := simulate.New(simulate.Options{Seed: seed, Points: 10, Days: 60, ReportEvery: 2 * time.Hour})
			x := startAt(t, plant.Site(), memoryDir(t)+"/journal.db")
			n := 0
			for m := range plant.Messages() {
				x.submit(t, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "replay"})
				n++
			}
			x.flush(t)
			require.Greater(t, n, 10_000)
			seen, err := x.Notices(t.Context(), false, 1000)
			require.NoError(t, err)
			for _, n := range seen {
				require.Equal(t, "began_anew", n.Kind, "%+v", n)
			}
			t.Log(n, "messages,", len(seen), "counters that began anew")
		})
	}
}
