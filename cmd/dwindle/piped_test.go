package main

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestPiped(t *testing.T) {
	defer goleak.VerifyNone(t)
	errRead, errWrite := errors.New("read"), errors.New("write")
	numbers := func(n int, end error) func(context.Context, func(int) error) error {
		return func(ctx context.Context, put func(int) error) error {
			for i := range n {
				if err := put(i); err != nil {
					return err
				}
			}
			return end
		}
	}
	for _, n := range []int{0, 1, pipedRows, pipedRows + 1, 20 * pipedRows, 20*pipedRows + 7} {
		next := 0
		require.NoError(t, piped(t.Context(), numbers(n, nil), func(i int) error {
			require.Equal(t, next, i)
			next++
			return nil
		}))
		require.Equal(t, n, next)

		require.ErrorIs(t, piped(t.Context(), numbers(n, errRead), func(int) error { return nil }), errRead)
		ctx, stop := context.WithCancel(t.Context())
		seen := 0
		err := piped(ctx, numbers(n, nil), func(int) error {
			if seen++; seen == n/2 {
				stop()
			}
			return nil
		})
		stop()
		if n > 10*pipedRows {
			require.ErrorIs(t, err, context.Canceled)
		}
		err = piped(t.Context(), numbers(n, nil), func(i int) error {
			if i == n/2 {
				return errWrite
			}
			return nil
		})
		if n > 0 {
			require.ErrorIs(t, err, errWrite)
		}
	}
}
