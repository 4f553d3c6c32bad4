package journal

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func TestNoticesAreKeptReplacedAndBounded(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, j.Close()) }()

	lost := reading.Notice{Kind: "session_lost", At: t0, Words: "the broker has forgotten us", Evidence: "session present is false"}
	unit := reading.Notice{Kind: "unit", Device: "elevator-1", About: "run", At: t0.Add(time.Hour), Words: "seconds?", Evidence: "3600 in an hour", Data: "{}"}
	require.NoError(t, j.Note(ctx, lost, unit))
	require.NoError(t, j.Note(ctx, unit), "again is no other one")
	list, err := j.Notices(ctx, "", false, 10)
	require.NoError(t, err)
	require.Equal(t, []reading.Notice{unit, lost}, list, "newest first")

	// Over: the words stay.
	require.NoError(t, j.Note(ctx, reading.Notice{Kind: unit.Kind, Device: unit.Device, About: unit.About, At: unit.At, Until: t0.Add(2 * time.Hour)}))
	unit.Until = t0.Add(2 * time.Hour)
	list, err = j.Notices(ctx, "unit", false, 10)
	require.NoError(t, err)
	require.Equal(t, []reading.Notice{unit}, list)
	list, err = j.Notices(ctx, "", true, 10)
	require.NoError(t, err)
	require.Equal(t, []reading.Notice{lost}, list, "what lasts")

	require.NoError(t, j.Renote(ctx, "unit"))
	list, err = j.Notices(ctx, "unit", false, 10)
	require.NoError(t, err)
	require.Empty(t, list)

	// What follows from readings goes with the daily figures, the rest stays.
	require.NoError(t, j.Note(ctx, unit))
	require.NoError(t, j.DropDerived(ctx))
	list, err = j.Notices(ctx, "", false, 10)
	require.NoError(t, err)
	require.Equal(t, []reading.Notice{lost}, list)

	lasting := reading.Notice{Kind: "unit", Device: "elevator-2", About: "run", At: t0.AddDate(-1, 0, 0), Words: "still so", Evidence: "x"}
	require.NoError(t, j.Note(ctx, lasting))
	many := make([]reading.Notice, noticesMost+5)
	for i := range many {
		many[i] = reading.Notice{Kind: "test", Device: fmt.Sprint(i), At: t0.Add(time.Duration(i+1) * time.Second), Words: "x"}
		many[i].Until = many[i].At
	}
	require.NoError(t, j.Note(ctx, many...))
	list, err = j.Notices(ctx, "", false, 2*noticesMost)
	require.NoError(t, err)
	require.Len(t, list, noticesMost)
	require.Equal(t, lasting, list[len(list)-1], "what lasts stays")
	require.Equal(t, "7", list[len(list)-3].Device, "the oldest have gone")
}
