package parallel_test

import (
	"context"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/internal/parallel"
)

func TestEachNumberOnce(t *testing.T) {
	for _, workers := range []int{0, 1, 3, 100} {
		for _, n := range []int{0, 1, 50} {
			done := make([]int, n)
			require.NoError(t, parallel.Do(context.Background(), n, workers, func(i int) { done[i]++ }))
			for i, times := range done {
				require.Equal(t, 1, times, "number %d of %d, %d workers", i, n, workers)
			}
		}
	}
}

func TestAContextThatIsDoneStartsNoMore(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	var started atomic.Int64
	err := parallel.Do(ctx, 1_000_000, 2, func(int) {
		if started.Add(1) == 10 {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	require.Less(t, started.Load(), int64(1_000_000))
}
