package journal

import (
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// A file that was taken away can be written on, as the process holds it open:
// what is committed there is gone with the process.
func TestNothingIsCommittedToAFileThatWasTakenAway(t *testing.T) {
	for name, take := range map[string]func(path string) error{
		"deleted": os.Remove,
		"replaced": func(path string) error {
			if err := os.Rename(path, path+".old"); err != nil {
				return err
			}
			return os.WriteFile(path, nil, 0o600)
		},
	} {
		t.Run(name, func(t *testing.T) {
			ctx := context.Background()
			j := fresh(t)
			commitAll(t, j, entry(hours("elevator-1", t0, 100)))
			require.NoError(t, os.Rename(j.path, j.path+".safe"))
			require.NoError(t, os.Link(j.path+".safe", j.path))
			require.NoError(t, take(j.path))
			_, err := j.Commit(ctx, Batch{entry(hours("elevator-2", t0, 100))})
			require.ErrorIs(t, err, ErrGone)
			require.NotErrorIs(t, err, ErrRefused, "or messages would be kept aside and acknowledged")
			require.ErrorContains(t, err, j.path)

			// Put back, the same batch goes in.
			_ = os.Remove(j.path)
			require.NoError(t, os.Rename(j.path+".safe", j.path))
			r := commitAll(t, j, entry(hours("elevator-2", t0, 100)))
			require.Equal(t, []Outcome{Stored}, r.Outcomes)
		})
	}
}
