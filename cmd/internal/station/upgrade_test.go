package station

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
)

// older makes a journal of the form before the newest, as an older program
// left it.
func older(t *testing.T, path string) (form int) {
	t.Helper()
	steps, err := filepath.Glob("../../../collector/journal/migrations/*.sql")
	require.NoError(t, err)
	slices.Sort(steps)
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o750))
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	defer db.Close()
	steps = steps[:len(steps)-1]
	for _, step := range steps {
		text, err := os.ReadFile(step)
		require.NoError(t, err)
		_, err = db.Exec(string(text))
		require.NoError(t, err, step)
	}
	_, err = db.Exec(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; INSERT INTO channel VALUES (1, 'be-01', 'run.hours'); INSERT INTO reading VALUES (1, 1772323200000, 120.5, 900, 0)",
		0x64776a31, len(steps)))
	require.NoError(t, err)
	return len(steps)
}

// The older form is copied before the newer one takes its place, and can be put
// back for the older program.
func TestAnUpgradeCanBeUndone(t *testing.T) {
	ctx := context.Background()
	site := terminal(t, t.TempDir())
	path := filepath.Join(site.DataDir(), journalFile)
	form := older(t, path)
	now := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	opt := Options{Now: func() time.Time { return now }}
	c, err := New(ctx, site, opt)
	require.NoError(t, err)
	feed(t, c, hourly(0, 10))
	require.NoError(t, c.Close())
	have, want, err := journal.Version(ctx, path)
	require.NoError(t, err)
	require.Equal(t, want, have)
	require.EqualValues(t, 11, readings(t, site))
	copies := upgradesIn(site.SnapshotDir())
	require.Len(t, copies, 1)
	require.Equal(t, fmt.Sprintf("before-upgrade-v%d-to-v%d-20260309T060000Z", form, want), filepath.Base(copies[0]))
	now = now.Add(time.Hour)
	c, err = New(ctx, site, opt)
	require.NoError(t, err)
	require.NoError(t, c.Close())
	require.Len(t, upgradesIn(site.SnapshotDir()), 1, "once")

	_, _, _, err = RestoreBeforeUpgrade(ctx, site, false, now)
	require.ErrorContains(t, err, "--replace")
	from, proof, aside, err := RestoreBeforeUpgrade(ctx, site, true, now)
	require.NoError(t, err)
	require.Equal(t, copies[0], from)
	require.EqualValues(t, 1, proof.Journal.Readings)
	require.Equal(t, form, proof.Journal.Version)
	have, _, err = journal.Version(ctx, path)
	require.NoError(t, err)
	require.Equal(t, form, have)
	require.FileExists(t, filepath.Join(aside, journalFile))
	require.FileExists(t, filepath.Join(aside, ledgerFile), "of the newer program's time")
	require.FileExists(t, filepath.Join(from, journalFile), "the copy stays")
}

func TestAFileOfANewerProgramNamesTheWayBack(t *testing.T) {
	site := terminal(t, t.TempDir())
	for _, file := range []string{ledgerFile, journalFile} {
		c, err := New(context.Background(), site, Options{})
		require.NoError(t, err)
		require.NoError(t, c.Close())
		db, err := sql.Open("sqlite", "file:"+filepath.Join(site.DataDir(), file))
		require.NoError(t, err)
		_, err = db.Exec("PRAGMA user_version = 99")
		require.NoError(t, err)
		require.NoError(t, db.Close())
		_, err = New(context.Background(), site, Options{})
		require.ErrorContains(t, err, "dwindle restore -c SITE.yaml --before-upgrade --replace")
		_, _, _, err = RestoreBeforeUpgrade(context.Background(), site, true, time.Now())
		require.ErrorContains(t, err, "there is no copy made before an upgrade")
		require.NoError(t, os.RemoveAll(site.DataDir()))
	}
}
