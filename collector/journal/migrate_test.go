package journal

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// A journal of the first version keeps its readings; what was derived from them
// is given up, to be derived anew.
func TestAJournalOfTheFirstVersionIsBroughtUpToDate(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	first, err := migrations.ReadFile("migrations/0001.sql")
	require.NoError(t, err)
	for _, text := range []string{
		string(first), fmt.Sprintf("PRAGMA application_id = %d", applicationID), "PRAGMA user_version = 1",
		"INSERT INTO channel VALUES (1, 'mill-1', 'run.hours')", "INSERT INTO reading VALUES (1, 1772323200000, 120.5, 900, 0)",
		"INSERT INTO series VALUES (1, 'mill-1', 'run', 'old rules', 1772323200000, x'00', 7)", "INSERT INTO part VALUES (1, 20513, 20513, 8, 0, 0, 0)",
		"INSERT INTO checkpoint VALUES (1, 20513, x'00')", "INSERT INTO touched (device, kind, at) VALUES ('mill-1', 'run', 1)",
	} {
		_, err := db.ExecContext(ctx, text)
		require.NoError(t, err, text)
	}
	require.NoError(t, db.Close())

	_, err = OpenReader(ctx, path, Options{})
	require.ErrorContains(t, err, "start `dwindle serve` once")
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	defer j.Close()
	s, err := j.Snapshot(ctx)
	require.NoError(t, err)
	defer s.Close()
	mill := Series{"mill-1", reading.Run}
	all, err := s.Series()
	require.NoError(t, err)
	require.Equal(t, []Series{mill}, all)
	_, ok, err := s.Head(mill)
	require.NoError(t, err)
	require.False(t, ok)
	seq, err := s.LastNote(mill)
	require.NoError(t, err)
	require.Zero(t, seq)
	last, err := s.Last(reading.Channel{Device: "mill-1", Quantity: reading.RunHours}, t0.AddDate(1, 0, 0), 3)
	require.NoError(t, err)
	require.Len(t, last, 1)
	require.Equal(t, 120.5, last[0].Value)
}
