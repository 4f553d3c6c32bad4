package main

import (
	"context"

	"golang.org/x/sync/errgroup"
)

// pipedRows is how many rows go over at once, pipedBatches how many such batches
// wait at most: whoever reads then waits for who writes.
const (
	pipedRows    = 512
	pipedBatches = 4
)

// piped reads rows in one goroutine and hands them on in this one, so that the
// store is read while the file is written. Rows come in the order in which they
// were read; an error of either ends both.
func piped[T any](ctx context.Context, read func(ctx context.Context, put func(T) error) error, put func(T) error) error {
	group, ctx := errgroup.WithContext(ctx)
	full, empty := make(chan []T, pipedBatches), make(chan []T, pipedBatches+2) // never full: there are no more batches
	for range pipedBatches + 2 {
		empty <- make([]T, 0, pipedRows)
	}
	group.Go(func() error {
		defer close(full)
		batch := <-empty
		send := func() error {
			select {
			case full <- batch:
			case <-ctx.Done():
				return ctx.Err()
			}
			select {
			case batch = <-empty:
			case <-ctx.Done():
				return ctx.Err()
			}
			return nil
		}
		err := read(ctx, func(row T) error {
			if batch = append(batch, row); len(batch) < pipedRows {
				return nil
			}
			return send()
		})
		if err == nil && len(batch) > 0 {
			return send()
		}
		return err
	})
	err := func() error {
		for batch := range full {
			for _, row := range batch {
				if err := put(row); err != nil {
					return err
				}
			}
			clear(batch) // no text is kept alive
			empty <- batch[:0]
		}
		return nil
	}()
	if err != nil {
		group.Go(func() error { return err }) // ends the reading
	}
	if ended := group.Wait(); err == nil {
		err = ended
	}
	return err
}
