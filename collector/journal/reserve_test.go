package journal

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal/disktest"
)

// The room set aside is for the alarm, not for more messages.
func TestAFullDiskLeavesRoomForWhatMustBeWritten(t *testing.T) {
	dir := disktest.Small(t, 16)
	ctx := context.Background()
	checks := health.New(nil)
	j, err := Open(ctx, filepath.Join(dir, "journal.db"), Options{Health: checks, Reserve: 16 << 20})
	require.NoError(t, err)
	reserve := filepath.Join(dir, "reserve")
	info, err := os.Stat(reserve)
	require.NoError(t, err)
	require.EqualValues(t, 1<<20, info.Size(), "a sixteenth of a small disk")

	free := disktest.Fill(t, dir)

	n := 0
	commit := func() error {
		n++
		_, err := j.Commit(ctx, Batch{entry(count("d-1", t0.Add(time.Duration(n)*time.Minute), int64(n)))})
		return err
	}
	for err = nil; err == nil && n < 100_000; {
		err = commit()
	}
	stored := n - 1
	require.ErrorIs(t, err, ErrUnwritable)
	require.ErrorContains(t, err, "disk full")
	require.NoFileExists(t, reserve)
	for range 100 {
		require.ErrorContains(t, commit(), "kept for alarms", "messages do not get the room")
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "ledger"), make([]byte, 900<<10), 0o600), "what must be written does")
	p, err := Verify(ctx, j.Path())
	require.NoError(t, err)
	require.EqualValues(t, stored, p.Readings)

	free()
	require.NoError(t, commit())
	require.FileExists(t, reserve, "and is set aside again")
	for _, c := range checks.List() {
		require.Equal(t, health.Ok, c.Level, c.Name)
	}
	require.NoError(t, j.Close())

	// The next start takes the one that is there.
	j, err = Open(ctx, filepath.Join(dir, "journal.db"), Options{Health: checks, Reserve: 16 << 20})
	require.NoError(t, err)
	require.NoError(t, j.Close())
	require.FileExists(t, reserve)
}
