package collector

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// An intake is pressed when more messages wait than a moment brings, and no more
// when they were taken.
func TestPressed(t *testing.T) {
	site := terminal(t, 1, 1)
	x := startWith(t, site, t.TempDir()+"/journal.db", nil)
	require.False(t, x.Pressed())
	in := NewIntake(func() *config.Site { return site }, x.j, nil, nil) // nothing is taken: it does not run
	for i := range pressedAt {
		require.False(t, in.Pressed(), i)
		require.NoError(t, in.Submit(context.Background(), message("elevator-1", "run", t0.Add(time.Duration(i)*time.Second), `{"hours":%d}`, i)))
	}
	require.True(t, in.Pressed())
	for i := range 5 * pressedAt {
		x.submit(t, message("elevator-1", "run", t0.Add(time.Duration(i)*time.Second), `{"hours":%d}`, i))
	}
	require.Eventually(t, func() bool { return !x.Pressed() }, 10*time.Second, time.Millisecond)
}
