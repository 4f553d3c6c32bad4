package station

import (
	"os"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestTheSoftLimitLeavesRoomAboveWhatLives(t *testing.T) {
	for _, c := range []struct{ liveMB, wantMB int64 }{{0, 50}, {32, 50}, {40, 59}, {64, 86}, {400, 464}} {
		require.Equal(t, c.wantMB<<20, leanLimit(uint64(c.liveMB)<<20), "%d MB", c.liveMB)
	}
}

func TestTheSoftLimitFollowsWhatLives(t *testing.T) {
	for _, name := range []string{"GOGC", "GOMEMLIMIT"} {
		if value, set := os.LookupEnv(name); set {
			require.NoError(t, os.Unsetenv(name))
			defer os.Setenv(name, value)
		}
	}
	before := debug.SetMemoryLimit(-1)
	end := Lean()
	require.GreaterOrEqual(t, debug.SetMemoryLimit(-1), int64(leanLeast))
	require.Less(t, debug.SetMemoryLimit(-1), before)
	held := make([]byte, 200<<20)
	for i := 0; i < len(held); i += 4096 {
		held[i] = 1
	}
	require.Eventually(t, func() bool {
		runtime.GC()
		return debug.SetMemoryLimit(-1) > 225<<20
	}, 10*time.Second, time.Millisecond)
	runtime.KeepAlive(held)
	end()
	end() // once more ends nothing else
	require.Equal(t, before, debug.SetMemoryLimit(-1))
}
