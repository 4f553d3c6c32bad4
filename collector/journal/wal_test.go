package journal

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A log as a process leaves it that was killed.
func killedLog(t *testing.T, commits int) (path string, frame int64) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	_, err = j.w.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	require.NoError(t, err)
	for i := range commits {
		commitAll(t, j, entry(hours("elevator-1", t0.Add(time.Duration(i)*time.Hour), float64(i))))
	}
	path = filepath.Join(t.TempDir(), "journal.db")
	for _, tail := range []string{"", "-wal"} {
		b, err := os.ReadFile(j.path + tail)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path+tail, b, 0o600))
	}
	var page int64
	require.NoError(t, j.w.QueryRowContext(ctx, "PRAGMA page_size").Scan(&page))
	require.NoError(t, j.Close())
	return path, frameHead + page
}

func TestADamagedLogIsToldFromOneCutShort(t *testing.T) {
	path, frame := killedLog(t, 12)
	whole, err := os.ReadFile(path + "-wal")
	require.NoError(t, err)
	frames := (int64(len(whole)) - walHead) / frame
	require.Greater(t, frames, int64(12))
	require.NoError(t, LogDamage(path))
	put := func(b []byte) { require.NoError(t, os.WriteFile(path+"-wal", b, 0o600)) }

	// However short a power cut leaves it: that is no damage.
	rapid.Check(t, func(r *rapid.T) {
		put(whole[:rapid.IntRange(0, len(whole)).Draw(r, "bytes")])
		require.NoError(t, LogDamage(path))
	})
	// A flip in what was committed long ago is; SQLite would go on with less.
	rapid.Check(t, func(r *rapid.T) {
		b := append([]byte(nil), whole...)
		at := rapid.IntRange(0, walHead+int(frame)*5-1).Draw(r, "place")
		if at >= walHead && (at-walHead)%int(frame) >= 8 && (at-walHead)%int(frame) < 16 {
			at += 8 // a frame with another salt is taken for an old one
		}
		if at >= 12 && at < 16 {
			at -= 4 // how often the log began anew is told by nobody else, and is in the sum of the head
		}
		b[at] ^= byte(1 << rapid.IntRange(0, 7).Draw(r, "bit"))
		put(b)
		require.ErrorIs(t, LogDamage(path), ErrDamaged)
	})
	// In the last commit it cannot be told from a power cut.
	b := append([]byte(nil), whole...)
	b[int64(len(b))-frame/2] ^= 1
	put(b)
	require.NoError(t, LogDamage(path))
}
