package journal

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal/disktest"
	"dwindle/collector/reading"
)

var long = flag.Bool("long", false, "run the fault tests many more times")

// recorded fills a journal on a disk that records, with checkpoints and a
// restart on the way, and marks each reading once Commit has returned. setting
// changes the writing connection first.
func recorded(t *testing.T, setting string) *disktest.Disk {
	t.Helper()
	dir := t.TempDir()
	disk := disktest.Watch(t, dir)
	disk.Record()
	ctx := context.Background()
	chance := rand.New(rand.NewPCG(7, 7))
	n := 0
	for range 3 {
		j, err := Open(ctx, filepath.Join(dir, "data", "journal.db"), Options{})
		require.NoError(t, err)
		if setting != "" {
			_, err := j.w.ExecContext(ctx, setting)
			require.NoError(t, err)
		}
		for k := range 60 {
			var b Batch
			for range 1 + chance.IntN(4) {
				b = append(b, entry(count(fmt.Sprintf("d-%d", n%7), t0.Add(time.Duration(n)*time.Minute), int64(n))))
				n++
			}
			_, err := j.Commit(ctx, b)
			require.NoError(t, err)
			for i := range b {
				disk.Mark(b[i].Readings[0].At.Sub(t0).Milliseconds())
			}
			if k%25 == 24 {
				_, err := j.w.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
				require.NoError(t, err)
			}
		}
		require.NoError(t, j.Close())
	}
	return disk
}

// lostIn cuts the power at a chance moment, some times over, opens what is
// left as a start would, and counts what was committed and is not there.
func lostIn(t *testing.T, disk *disktest.Disk, rounds int) (lost int) {
	t.Helper()
	ctx := context.Background()
	for round := range rounds {
		chance := rand.New(rand.NewPCG(11, uint64(round)))
		dir := t.TempDir()
		marks, err := disk.PowerCut(chance.IntN(disk.Events()+1), chance, dir)
		require.NoError(t, err)
		path := filepath.Join(dir, "data", "journal.db")
		j, err := Open(ctx, path, Options{})
		require.NoError(t, err, "round %d: opens without anybody's help", round)
		there := map[int64]bool{}
		require.NoError(t, j.Readings(ctx, nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error {
			there[r.At.Sub(t0).Milliseconds()] = true
			return nil
		}))
		for _, m := range marks {
			if !there[m] {
				lost++
			}
		}
		require.NoError(t, j.Close())
		_, err = Verify(ctx, path)
		require.NoError(t, err, "round %d: the file is sound", round)
	}
	return lost
}

func TestWhatWasCommittedSurvivesAPowerCut(t *testing.T) {
	rounds := 100
	if *long {
		rounds = 2000
	}
	require.Zero(t, lostIn(t, recorded(t, ""), rounds))
}

// SQLite's other setting syncs the log at checkpoints only: a check that does
// not see what that loses would see nothing.
func TestAPowerCutShowsWhatASparingSettingLoses(t *testing.T) {
	require.Positive(t, lostIn(t, recorded(t, "PRAGMA synchronous = NORMAL"), 20))
}
