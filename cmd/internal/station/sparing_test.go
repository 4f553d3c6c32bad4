package station

import (
	"os"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestTheMoreLivesTheLessGarbageMayPileUp(t *testing.T) {
	for _, c := range []struct {
		liveMB uint64
		before int
		want   int
	}{
		{0, 100, 100}, {10, 100, 100}, {192, 100, 100}, {256, 100, 51}, {320, 100, 21}, {350, 100, 15}, {2000, 100, 15},
		{0, 30, 30}, {64, 30, 30}, {65, 30, 100}, {350, 30, 15}, // what a gateway has set counts while little lives
		{10, 200, 100}, {10, -1, 100},
	} {
		require.Equal(t, c.want, sparingPercent(c.liveMB<<20, c.before), "%d MB, %d %%", c.liveMB, c.before)
	}
}

// What a collection finds alive decides how far the heap may grow to the next.
func TestTheShareOfGarbageFollowsWhatLives(t *testing.T) {
	if value, set := os.LookupEnv("GOGC"); set {
		require.NoError(t, os.Unsetenv("GOGC"))
		defer os.Setenv("GOGC", value)
	}
	defer Sparing()()
	held := make([]byte, 300<<20)
	for i := 0; i < len(held); i += 4096 {
		held[i] = 1
	}
	require.Eventually(t, func() bool {
		runtime.GC()
		spared.Lock()
		defer spared.Unlock()
		return spared.now < 40
	}, 10*time.Second, time.Millisecond)
	runtime.KeepAlive(held)
}

// A pass and learning may overlap; the last to end puts back what was before.
func TestMemoryIsHeldDownUntilTheLastHasEnded(t *testing.T) {
	if value, set := os.LookupEnv("GOGC"); set {
		require.NoError(t, os.Unsetenv("GOGC"))
		defer os.Setenv("GOGC", value)
	}
	const was = 90
	defer debug.SetGCPercent(debug.SetGCPercent(was))
	now := func() int {
		p := debug.SetGCPercent(was)
		debug.SetGCPercent(p)
		return p
	}
	held := func() int {
		spared.Lock()
		defer spared.Unlock()
		return spared.now
	}
	pass := Sparing()
	require.Equal(t, held(), now())
	learning := Sparing()
	pass()
	pass() // once more ends nothing else
	require.Equal(t, held(), now())
	learning()
	require.Equal(t, was, now())
}
