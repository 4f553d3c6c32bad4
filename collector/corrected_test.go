package collector

import (
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/mapping"
)

// A hub counted run time in minutes and was mapped as hours: the mapping is put
// right, and what it sent is run again.
func TestAUnitThatIsPutRightIsRunAgain(t *testing.T) {
	x := start(t, hubSite(t, mapping.MappedValue{From: "{device}.run", As: "run.hours"}))
	for i := range 25 { // half of each hour, from 100 h on
		x.submit(t, hub("a", 60*i, `{"elevator-1":{"run":`+strconv.Itoa(6000+30*i)+`}}`))
	}
	x.flush(t)
	x.site.Store(hubSite(t, mapping.MappedValue{From: "{device}.run", As: "run.hours", Unit: "min"}))
	out := x.rerun(t, RerunOptions{From: t0, Trial: true})
	require.EqualValues(t, 25, out.Replaced)
	require.InDelta(t, 6000, x.all(t)[0].Value, 1e-9, "only tried")
	out = x.rerun(t, RerunOptions{From: t0})
	require.EqualValues(t, 25, out.Replaced)
	got := x.all(t)
	require.Len(t, got, 25)
	for i, r := range got {
		require.InDelta(t, 100+0.5*float64(i), r.Value, 1e-9)
		require.NotZero(t, r.Flags&reading.Corrected)
		require.Equal(t, t0.Add(time.Duration(i)*time.Hour), r.At)
	}
	x.flush(t)
	days := x.days(t, x.h, "elevator-1", reading.Run, "2026-03-02", "2026-03-03")
	require.Len(t, days, 2)
	require.InDelta(t, 12, days[0].Amount+days[1].Amount, 1e-6)
}
