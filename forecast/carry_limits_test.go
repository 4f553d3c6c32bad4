package forecast_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// A line that is blocked stays so over a change, whatever the number of
// workers; one that was commissioned anew is judged afresh.
func TestBlockedOutlivesAChangeNotACommissioning(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	loc := s.Location()
	for _, kind := range []reading.FactKind{reading.FactChange, reading.FactCommission} {
		past := gauge(t, s, 2, 1.25, 0.6, func(d civil.Date) float64 {
			if d >= date(t, "2026-02-01") {
				return 0
			}
			return 1
		})
		c := change(date(t, "2026-03-15").Start(loc), 110)
		c.ID, c.Kind = "c2", kind
		past.AddFact(c)
		past.Seal()
		now := date(t, "2026-03-18").Start(loc).Add(time.Hour)
		want := ""
		for _, n := range []int{1, 2, 8} {
			f, err := forecast.Pass(context.Background(), s, past, now, forecast.Options{Workers: n})
			require.NoError(t, err)
			if got := asJSON(t, f); want == "" {
				want = got
			} else {
				require.Equal(t, want, got)
			}
			v := f.States[0].Delivery.Verdict
			if kind == reading.FactChange {
				require.Equal(t, forecast.NotDispensing, v)
			} else {
				require.Equal(t, forecast.TooEarly, v)
			}
		}
	}
}
