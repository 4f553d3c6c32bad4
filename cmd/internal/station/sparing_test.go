package station

import (
	"os"
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"
)

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
	pass := Sparing()
	require.Equal(t, sparingGCPercent, now())
	learning := Sparing()
	pass()
	pass() // once more ends nothing else
	require.Equal(t, sparingGCPercent, now())
	learning()
	require.Equal(t, was, now())
}
