package collector

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
)

// storage gives what is said of the disk.
func storage(c *health.Checks) (level health.Level, what string) {
	for _, x := range c.List() {
		if x.Name == checkStorage {
			return x.Level, x.What
		}
	}
	return health.Ok, ""
}

func TestSlowStorageIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		checks := health.New(nil)
		p := patience{health: checks, wait: slowWait}
		commit := func(d time.Duration) health.Level {
			ended := p.begin()
			time.Sleep(d)
			ended()
			synctest.Wait()
			level, _ := storage(checks)
			return level
		}
		require.Equal(t, health.Ok, commit(2*time.Second), "one stall is no news")
		require.Equal(t, health.Ok, commit(20*time.Millisecond))
		commit(2 * time.Second)
		commit(2 * time.Second)
		require.Equal(t, health.Warn, commit(2*time.Second), "a row of them is")
		for range slowQuick - 1 {
			require.Equal(t, health.Warn, commit(time.Millisecond))
		}
		require.Equal(t, health.Ok, commit(time.Millisecond), "and its end")

		ended := p.begin()
		time.Sleep(6 * time.Second)
		synctest.Wait()
		level, what := storage(checks)
		require.Equal(t, health.Warn, level, "told while the commit still runs")
		require.Contains(t, what, "storage slow")
		time.Sleep(54 * time.Second)
		synctest.Wait()
		level, what = storage(checks)
		require.Equal(t, health.Bad, level)
		require.Contains(t, what, "1m0s")
		ended()
		level, _ = storage(checks)
		require.Equal(t, health.Warn, level, "stored, but late")
		require.Equal(t, health.Warn, commit(time.Millisecond))
	})
}
