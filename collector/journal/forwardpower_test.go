package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal/disktest"
)

// Wherever the power is cut: with what the receiver had taken until then, and
// what it is given from then on, it has what the journal has.
func TestTheReceiverMissesNothingAfterAPowerCut(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	disk := disktest.Watch(t, dir)
	disk.Record()
	chance := rand.New(rand.NewPCG(17, 3))
	var sent []Parcel
	now, n := t0, 0
	for range 3 {
		j, err := Open(ctx, filepath.Join(dir, "data", "journal.db"), Options{})
		require.NoError(t, err)
		o := outbox(t, j)
		var given []Parcel
		for range 60 {
			now = now.Add(time.Minute)
			var b Batch
			for range 1 + chance.IntN(3) {
				at := now
				if chance.IntN(3) == 0 {
					at = now.Add(-time.Duration(chance.IntN(40)) * time.Minute)
				}
				r := hours(fmt.Sprint("d-", chance.IntN(3)), at, float64(chance.IntN(100)))
				if chance.IntN(3) == 0 {
					r = increment("d-0", fmt.Sprint(chance.IntN(40)), at, 1)
				}
				r.Received = now
				b = append(b, entry(r))
			}
			if chance.IntN(6) == 0 {
				b = append(b, weighed(fmt.Sprint("e-", n), now, float64(n)))
				n++
			}
			_, err := j.Commit(ctx, b)
			require.NoError(t, err)
			switch chance.IntN(4) {
			case 0:
				if p := next(t, o, 1+chance.IntN(12)); !p.Empty() {
					given = append(given, p)
				}
			case 1, 2:
				if len(given) == 0 {
					break
				}
				sent = append(sent, given[0])
				disk.Mark(int64(len(sent) - 1))
				if chance.IntN(4) == 0 { // taken, but the answer is lost
					o.Back()
					given = nil
					break
				}
				if chance.IntN(3) == 0 {
					o.saved = time.Time{} // places are due
				}
				done(t, o, given[0])
				given = given[1:]
			}
		}
		if chance.IntN(2) == 0 {
			j.fwd, j.marked = nil, false
		}
		require.NoError(t, j.Close())
	}
	rounds := 40
	if *long {
		rounds = 1000
	}
	for round := range rounds {
		chance := rand.New(rand.NewPCG(23, uint64(round)))
		dir := t.TempDir()
		marks, err := disk.PowerCut(chance.IntN(disk.Events()+1), chance, dir)
		require.NoError(t, err)
		j, err := Open(ctx, filepath.Join(dir, "data", "journal.db"), Options{})
		require.NoError(t, err)
		x := newReceiver()
		for _, m := range marks {
			x.take(&sent[m])
		}
		x.drain(t, outbox(t, j), 20)
		x.holds(t, j)
		require.NoError(t, j.Close())
	}
	require.NotEmpty(t, sent)
	var gone, late int
	for _, p := range sent {
		for _, r := range p.Ranges {
			late++
			if r.Gone {
				gone++
			}
		}
	}
	require.Positive(t, late)
	require.Positive(t, gone, "increments that moved")
}
