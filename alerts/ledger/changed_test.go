package ledger_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
)

func TestWhatChangedSinceIsGivenOnceAndAsItIsNow(t *testing.T) {
	l := open(t)
	move := func(n int, listed bool) {
		o := occurrence(n, listed, start.AddDate(0, 0, n))
		require.NoError(t, l.Commit(t.Context(), ledger.Change{
			Occurrences: []ledger.Occurrence{o},
			Transitions: []alarm.Transition{{At: start.Add(time.Duration(n) * time.Minute), Occurrence: o.Row.ID, To: o.Row.State}},
		}))
	}
	changed := func(after int64, limit int) (ids []string, upTo int64) {
		rows, upTo, err := l.Changed(t.Context(), after, limit)
		require.NoError(t, err)
		for _, r := range rows {
			ids = append(ids, r.ID+" "+string(r.State))
		}
		return ids, upTo
	}
	ids, upTo := changed(0, 10)
	require.Empty(t, ids)
	require.Zero(t, upTo)

	move(1, true)
	move(2, true)
	move(3, true)
	move(1, false)
	ids, upTo = changed(0, 10)
	require.Equal(t, []string{"A-00002 unacknowledged", "A-00003 unacknowledged", "A-00001 normal"}, ids)
	require.EqualValues(t, 4, upTo)

	// In parts, the first is given twice: each time as it is now.
	ids, upTo = changed(0, 2)
	require.Equal(t, []string{"A-00001 normal", "A-00002 unacknowledged"}, ids)
	ids, upTo = changed(upTo, 2)
	require.Equal(t, []string{"A-00003 unacknowledged", "A-00001 normal"}, ids)

	ids, upTo = changed(upTo, 2)
	require.Empty(t, ids)
	require.EqualValues(t, 4, upTo)
	_, upTo = changed(100, 2)
	require.EqualValues(t, 4, upTo, "another ledger than before")
}
