package journal

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// Whatever the size of a step, the steps go on until only the newest are left.
func TestAgedReadingsGoInStepsOfAnySize(t *testing.T) {
	ctx := context.Background()
	for _, most := range []int{40, ageKeeps - 1, ageKeeps, 1000} {
		j := fresh(t)
		var rs []reading.Reading
		for i := range 200 {
			rs = append(rs, hours("mill-1", t0.Add(time.Duration(i)*time.Hour), float64(i)))
		}
		commitAll(t, j, entry(rs...))
		series := Series{"mill-1", reading.Run}
		require.NoError(t, j.Age(ctx, Aged{Series: series, Until: t0.Add(200 * time.Hour)}))
		gone := int64(0)
		for more := true; more; {
			var n int64
			var err error
			n, more, err = j.DropAged(ctx, series, most)
			require.NoError(t, err)
			require.Positive(t, n)
			require.LessOrEqual(t, n, int64(most))
			gone += n
		}
		require.EqualValues(t, 200-ageKeeps, gone, "in steps of %d", most)
	}
}
