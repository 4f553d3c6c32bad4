package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func rawEntry(i int, payload string) Entry {
	at := t0.Add(time.Duration(i) * time.Second)
	e := entry(hours("elevator-1", at, float64(i)))
	e.Raw = &Raw{Received: at.Add(2 * time.Second), Topic: "lube/v1/t/elevator-1/run", Payload: []byte(payload)}
	return e
}

func TestRawMessagesComeBackAsTheyCame(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var want []Raw
		var plain []byte
		for range rapid.IntRange(0, 30).Draw(r, "messages") {
			m := Raw{
				Received: time.UnixMilli(rapid.Int64Range(-1<<50, 1<<50).Draw(r, "received")).UTC(),
				Topic:    rapid.String().Draw(r, "topic"), Payload: []byte(rapid.String().Draw(r, "payload")),
				Retained: rapid.Bool().Draw(r, "retained"), Dup: rapid.Bool().Draw(r, "dup"),
			}
			for range rapid.IntRange(0, 3).Draw(r, "gave") {
				m.gave = append(m.gave, given{rapid.Int64Range(1, 1<<40).Draw(r, "channel"), rapid.Int64Range(-1<<50, 1<<50).Draw(r, "at"), rapid.String().Draw(r, "key")})
			}
			m.facts = rapid.SliceOfN(rapid.String(), 1, 2).Draw(r, "facts")
			want, plain = append(want, m), appendRaw(plain, &m)
		}
		body, err := packRaw(plain)
		require.NoError(t, err)
		got, err := unpackRaw(body)
		require.NoError(t, err)
		require.Equal(t, want, got)
		// Damage is told and never a panic.
		_, err = unpackRaw(body[:len(body)-1])
		require.ErrorIs(t, err, errRawBlock)
		body[rapid.IntRange(0, len(body)-1).Draw(r, "place")] ^= byte(rapid.IntRange(1, 255).Draw(r, "flip"))
		_, _ = unpackRaw(body)
	})
}

// Messages wait in memory, so that flash is not worn for them, and become a
// block with a commit that is made anyway, or at the end.
func TestRawMessagesAreWrittenSeldomAndWithinTheirBounds(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	const limit = 200 << 10
	j, err := Open(ctx, path, Options{RawBytes: limit})
	require.NoError(t, err)
	blocks := func() []RawBlock {
		list, err := j.RawBlocks(ctx, time.Time{}, t0.AddDate(1, 0, 0))
		require.NoError(t, err)
		return list
	}
	commitAll(t, j, rawEntry(0, "small"), rawEntry(0, "small"))
	require.Empty(t, blocks())
	// Five minutes later the next commit takes them along.
	j.raw.since = j.raw.since.Add(-rawAge)
	commitAll(t, j, rawEntry(1, "x"))
	require.Equal(t, []RawBlock{{1, t0.Add(2 * time.Second), t0.Add(2 * time.Second), 1}}, blocks(), "a repetition holds nothing new")
	// Or so does the writing of the counters, where no message comes.
	j.raw.since = j.raw.since.Add(-rawAge)
	require.NoError(t, j.SaveCounters(ctx))
	require.Len(t, blocks(), 2)

	// What does not pack fills the ring; the oldest makes room.
	random := rand.NewChaCha8([32]byte{7})
	noise := func() string {
		out := make([]byte, 40<<10)
		_, _ = random.Read(out) // never fails
		return string(out)
	}
	for i := range 40 {
		commitAll(t, j, rawEntry(10+i, noise()))
	}
	var size int64
	require.NoError(t, j.reader.QueryRow("SELECT sum(octet_length(body)) FROM raw").Scan(&size))
	require.LessOrEqual(t, size, int64(limit))
	require.Greater(t, blocks()[0].ID, int64(2))
	commitAll(t, j, rawEntry(100, fmt.Sprint(noise(), noise()))) // too long for this ring
	commitAll(t, j, rawEntry(101, "the last"))
	require.NoError(t, j.Close())

	j, err = Open(ctx, path, Options{})
	require.NoError(t, err)
	list, err := j.RawMessages(ctx, blocks()[len(blocks())-1].ID)
	require.NoError(t, err)
	require.Equal(t, "the last", string(list[len(list)-1].Payload))
	n := len(blocks())
	commitAll(t, j, rawEntry(102, "off"))
	require.NoError(t, j.Close())
	j, err = Open(ctx, path, Options{})
	require.NoError(t, err)
	defer j.Close()
	require.Len(t, blocks(), n, "without a bound none are kept")
}
