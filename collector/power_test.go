package collector

import (
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal/disktest"
)

// lives runs an intake on a disk that records, some lives long, and marks each
// message when it is acknowledged; daily figures are saved on the way, and each
// stop writes the log back into the file.
func lives(t *testing.T, n int) (disk *disktest.Disk, messages int) {
	t.Helper()
	dir := t.TempDir()
	disk = disktest.Watch(t, dir)
	disk.Record()
	for range n {
		x := startAt(t, terminal(t, 1, 1), filepath.Join(dir, "data", "journal.db"))
		for range 10 {
			var done sync.WaitGroup
			for range 12 {
				i := messages
				messages++
				m := increment(i)
				done.Add(1)
				m.Done = func(err error) {
					if err == nil {
						disk.Mark(int64(i))
					}
					done.Done()
				}
				x.submit(t, m)
			}
			done.Wait()
		}
		x.flush(t)
		require.NoError(t, x.stop())
	}
	return disk, messages
}

// acknowledgedBy turns marks into what requireCounted wants.
func acknowledgedBy(marks []int64) map[int]bool {
	out := map[int]bool{}
	for _, m := range marks {
		out[int(m)] = true
	}
	return out
}

// The disk drops any part of what was not synced. The journal's own test does
// this many more times; here the acknowledgement is that of the intake.
func TestWhatWasAcknowledgedSurvivesAPowerCut(t *testing.T) {
	disk, messages := lives(t, 3)
	for round := range rounds(30, 300) {
		chance := rand.New(rand.NewPCG(23, uint64(round)))
		dir := t.TempDir()
		marks, err := disk.PowerCut(chance.IntN(disk.Events()+1), chance, dir)
		require.NoError(t, err)
		requireCounted(t, filepath.Join(dir, "data", "journal.db"), acknowledgedBy(marks), messages)
	}
}

// Killed before any one of the operations on the disk: those of the start, the
// migrations, each commit, the daily figures, and the checkpoints.
func TestAKillBetweenAnyTwoWritesLosesNothingAcknowledged(t *testing.T) {
	disk, messages := lives(t, 2)
	chance := rand.New(rand.NewPCG(29, 1))
	for range rounds(30, 1000) {
		dir := t.TempDir()
		marks, err := disk.Killed(chance.IntN(disk.Events()+1), dir)
		require.NoError(t, err)
		requireCounted(t, filepath.Join(dir, "data", "journal.db"), acknowledgedBy(marks), messages)
	}
}
