package journaltest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// behaviour is one row of the table: what is put, and what must be true then.
type behaviour struct {
	name string
	puts func() []journal.Batch
	// holds looks at a store that has taken all of it.
	holds func(t *testing.T, s Readings)
	large bool // too large to be put again and again
}

// derived is a row about what only a Store answers.
type derived struct {
	name  string
	puts  func() []journal.Batch
	holds func(t *testing.T, s Store)
}

// RunReadings runs the rows about readings against stores that open makes, each
// empty.
func RunReadings(t *testing.T, open func(t *testing.T) Readings) {
	for _, b := range readings {
		t.Run(b.name, func(t *testing.T) {
			t.Parallel() // they wait for disks and servers
			s := open(t)
			all := model{}
			for _, batch := range b.puts() {
				require.Len(t, commit(t, s, batch), len(batch))
				all.put(batch)
				// What was there before must have come to terms with it.
				same(t, all.list(), read(t, s, nil, time.Time{}, end))
			}
			b.holds(t, s)
		})
	}
}

// Run runs all rows against stores that open makes, each empty.
func Run(t *testing.T, open func(t *testing.T) Store) {
	RunReadings(t, func(t *testing.T) Readings { return open(t) })
	for _, d := range derivations {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			for _, batch := range d.puts() {
				commit(t, s, batch)
				_, err := Ask(t.Context(), s) // what it remembers must not outlive what comes next
				require.NoError(t, err)
			}
			d.holds(t, s)
		})
	}
}

// same compares lists of readings; of long ones it shows the first difference.
func same(t testing.TB, want, got []reading.Reading) {
	t.Helper()
	for i := range min(len(want), len(got)) {
		if want[i] != got[i] { // far faster
			require.Equal(t, want[i], got[i], "reading %d of %d and %d", i, len(want), len(got))
		}
	}
	require.Len(t, got, len(want))
}
