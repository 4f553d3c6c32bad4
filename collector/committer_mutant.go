//go:build mutant_ack

package collector

import (
	"context"
	"sync"
	"time"

	"dwindle/collector/journal"
)

// committer breaks the promise of the intake, for `make mutants`: it answers
// first and commits soon after.
func committer(j *journal.Journal) func(context.Context, journal.Batch) (journal.Result, error) {
	var mu sync.Mutex
	return func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		own := append(journal.Batch(nil), b...)
		go func() {
			mu.Lock()
			defer mu.Unlock()
			time.Sleep(20 * time.Millisecond)
			_, _ = j.Commit(context.WithoutCancel(ctx), own) // after a stop the journal is closed: that is the loss
		}()
		return journal.Result{Outcomes: make([]journal.Outcome, len(b))}, nil
	}
}
