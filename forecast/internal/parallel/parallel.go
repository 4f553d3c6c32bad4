// Package parallel does the same for many numbers at once. It knows nothing of
// what is done; whoever calls keeps the results apart by number, so that they
// do not depend on how many worked.
package parallel

import (
	"context"
	"sync"
)

// Do calls f for 0 to n-1 from at most so many goroutines, at least one, and
// returns when all have ended. A context that is done starts no more of them,
// and its error is returned.
func Do(ctx context.Context, n, workers int, f func(i int)) error {
	next := make(chan int)
	var wait sync.WaitGroup
	for range min(max(1, workers), n) {
		wait.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
feed:
	for i := range n {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	wait.Wait()
	return ctx.Err()
}
