package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector/health"
	"dwindle/collector/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var t0 = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func open(t testing.TB, path string, opt Options) *Journal {
	t.Helper()
	j, err := Open(context.Background(), path, opt)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	return j
}

func fresh(t testing.TB) *Journal {
	t.Helper()
	return open(t, filepath.Join(t.TempDir(), "journal.db"), Options{})
}

func hours(device string, at time.Time, v float64) reading.Reading {
	return reading.Reading{Channel: reading.Channel{Device: device, Quantity: reading.RunHours}, At: at, Received: at.Add(2 * time.Second), FromDevice: true, Value: v}
}

func count(device string, at time.Time, n int64) reading.Reading {
	return reading.Reading{Channel: reading.Channel{Device: device, Quantity: reading.PulseCount}, At: at, Received: at, FromDevice: true, Value: float64(n), Count: n}
}

func entry(rs ...reading.Reading) Entry { return Entry{Readings: rs} }

func commitAll(t testing.TB, j *Journal, entries ...Entry) Result {
	t.Helper()
	r, err := j.Commit(context.Background(), entries)
	require.NoError(t, err)
	return r
}

func all(t testing.TB, j *Journal) []reading.Reading {
	t.Helper()
	var out []reading.Reading
	require.NoError(t, j.Readings(context.Background(), nil, time.Time{}, t0.AddDate(50, 0, 0), func(r reading.Reading) error {
		out = append(out, r)
		return nil
	}))
	return out
}

func TestSettingsAreInForceOnEveryConnection(t *testing.T) {
	j := fresh(t)
	ctx := context.Background()
	require.NoError(t, readBack(ctx, j.w, j.path, writerPragmas))
	c, err := j.reader.Conn(ctx)
	require.NoError(t, err)
	require.NoError(t, readBack(ctx, c, j.path, readerPragmas))
	_, err = c.ExecContext(ctx, "DELETE FROM reading")
	require.Error(t, err, "a reader must not be able to write")
	require.NoError(t, c.Close())
}

func TestASettingThatIsNotTakenIsRefused(t *testing.T) {
	j := fresh(t)
	_, err := j.w.ExecContext(context.Background(), "PRAGMA synchronous = normal")
	require.NoError(t, err)
	require.ErrorContains(t, readBack(context.Background(), j.w, j.path, writerPragmas), "synchronous is 1 and not 2")
	_, err = j.w.ExecContext(context.Background(), "PRAGMA synchronous = full")
	require.NoError(t, err)
}

func TestLibraryVersionsCompareByNumber(t *testing.T) {
	for text, old := range map[string]bool{"3.53.3": true, "3.51.2": true, "3.53.4": false, "3.54.1": false, "4.0.0": false, "3.6.23": true, "3.100.0": false} {
		v, err := parseVersion(text)
		require.NoError(t, err)
		require.Equal(t, old, older(v, minSQLite), text)
	}
	_, err := parseVersion("next")
	require.Error(t, err)
}

func TestReadingsComeBackAsTheyWere(t *testing.T) {
	j := fresh(t)
	rs := []reading.Reading{
		hours("mill-1", t0, 1200.25),
		hours("mill-1", t0.Add(time.Minute), 1201), // whole numbers take another form in the file
		{Channel: reading.Channel{Device: "mill-1", Quantity: reading.RunRunning}, At: t0, Received: t0, Flags: reading.ReceiveTime, Value: 1},
		count("d-1", t0, 1<<63-1),
		count("d-1", t0.Add(time.Second), 1<<53+1), // not exact as a float
		{Channel: reading.Channel{Device: "d-1", Quantity: reading.PulseIncrement}, At: t0, Received: t0.Add(-time.Second), FromDevice: true, Value: 3, Count: 3, Key: "a"},
		{Channel: reading.Channel{Device: "d-1", Quantity: reading.PulseIncrement}, At: t0, Received: t0, FromDevice: true, Value: 2, Count: 2, Key: "b"},
		{Channel: reading.Channel{Device: "d-1", Quantity: reading.StatusTempC}, At: t0, Received: t0, FromDevice: true, Value: -3.5},
		{Channel: reading.Channel{Device: "d-1", Quantity: reading.StatusTempC}, At: t0.Add(time.Second), Received: t0, FromDevice: true, Value: 1e300},
	}
	r := commitAll(t, j, entry(rs...))
	require.Equal(t, len(rs), r.Rows)
	require.Equal(t, []string{"d-1", "mill-1"}, r.Devices)
	require.ElementsMatch(t, rs, all(t, j))
}

func TestTheSameAgainIsADuplicate(t *testing.T) {
	j := fresh(t)
	e := entry(hours("mill-1", t0, 10), hours("mill-1", t0.Add(time.Hour), 11))
	require.Equal(t, []Outcome{Stored}, commitAll(t, j, e).Outcomes)
	r := commitAll(t, j, e, e)
	require.Equal(t, []Outcome{Duplicate, Duplicate}, r.Outcomes)
	require.Zero(t, r.Rows)
	n, err := j.Counters(context.Background())
	require.NoError(t, err)
	require.Equal(t, map[string]int64{CountReceived: 3, CountStored: 1, CountDuplicates: 2, CountRows: 2, CountCommits: 2}, n)
}

func TestOfTwoValuesForOneTimeTheRightOneStaysInAnyOrder(t *testing.T) {
	level := func(v float64, received time.Time) reading.Reading {
		return reading.Reading{Channel: reading.Channel{Device: "d-1", Quantity: reading.LevelCM3}, At: t0, Received: received, FromDevice: true, Value: v}
	}
	for name, c := range map[string]struct {
		in   []reading.Reading
		want float64
	}{
		"a counter keeps the larger":           {[]reading.Reading{count("d-1", t0, 7), count("d-1", t0, 9), count("d-1", t0, 8)}, 9},
		"anything else keeps the later report": {[]reading.Reading{level(80, t0), level(70, t0.Add(2*time.Second)), level(75, t0.Add(time.Second))}, 70},
	} {
		t.Run(name, func(t *testing.T) {
			for _, order := range [][]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}} {
				j := fresh(t)
				for _, i := range order {
					commitAll(t, j, entry(c.in[i]))
				}
				got := all(t, j)
				require.Len(t, got, 1, "order %v", order)
				require.Equal(t, c.want, got[0].Value, "order %v", order)
				require.NotZero(t, got[0].Flags&reading.Conflict, "order %v", order)
				kept, err := j.KeptAside(context.Background(), 10)
				require.NoError(t, err)
				require.Len(t, kept, 2, "the losers stay, order %v", order)
				require.Equal(t, ReasonConflict, kept[0].Reason)
			}
		})
	}
}

func TestAnIncrementCountsOncePerID(t *testing.T) {
	inc := func(id string, at time.Time, n int64) reading.Reading {
		return reading.Reading{Channel: reading.Channel{Device: "d-1", Quantity: reading.PulseIncrement}, At: at, Received: at, FromDevice: true, Value: float64(n), Count: n, Key: id}
	}
	j := fresh(t)
	r := commitAll(t, j, entry(inc("a", t0, 1)), entry(inc("b", t0, 1)), entry(inc("a", t0, 1)))
	require.Equal(t, []Outcome{Stored, Stored, Duplicate}, r.Outcomes)
	require.Len(t, all(t, j), 2)
}

func TestWhatIsNotANumberIsKeptAside(t *testing.T) {
	j := fresh(t)
	nan := hours("mill-1", t0, 0)
	nan.Value /= nan.Value
	require.Equal(t, []Outcome{KeptAside}, commitAll(t, j, entry(nan)).Outcomes)
}

func TestAReaderWorksBesideTheWriterAndAlone(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	r, err := OpenReader(ctx, path, Options{})
	require.NoError(t, err)
	require.Len(t, all(t, r), 1)
	commitAll(t, j, entry(hours("mill-1", t0.Add(time.Hour), 2)))
	require.Len(t, all(t, r), 2, "sees what was committed since")
	_, err = r.Commit(ctx, Batch{entry(hours("mill-1", t0, 3))})
	require.ErrorIs(t, err, ErrReadOnly)
	require.NoError(t, r.Close())
	require.NoError(t, j.Close())
	r, err = OpenReader(ctx, path, Options{})
	require.NoError(t, err)
	require.Len(t, all(t, r), 2, "without a writer")
	require.NoError(t, r.Close())
	_, err = OpenReader(ctx, filepath.Join(t.TempDir(), "none.db"), Options{})
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestASnapshotDoesNotSeeWhatComesLater(t *testing.T) {
	j := fresh(t)
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	s, err := j.Snapshot(context.Background())
	require.NoError(t, err)
	defer s.Close()
	n := func() (n int) {
		require.NoError(t, s.Scan(Series{"mill-1", reading.Run}, nil, time.Time{}, t0.AddDate(1, 0, 0), func(reading.Reading) error { n++; return nil }))
		return n
	}
	require.Equal(t, 1, n())
	commitAll(t, j, entry(hours("mill-1", t0.Add(time.Hour), 2)))
	require.Equal(t, 1, n())
}

func TestCountersAndChannelsSurviveARestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := Open(context.Background(), path, Options{})
	require.NoError(t, err)
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	require.NoError(t, j.Close())
	j = open(t, path, Options{})
	r := commitAll(t, j, entry(hours("mill-1", t0, 1)), entry(hours("mill-1", t0.Add(time.Hour), 2)))
	require.Equal(t, []Outcome{Duplicate, Stored}, r.Outcomes)
	n, err := j.Counters(context.Background())
	require.NoError(t, err)
	require.EqualValues(t, 3, n[CountReceived])
}

func TestADamagedFileIsRefusedAndLeftAsItIs(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	text := []byte("this is no database, and it is long enough to look like one if one only counts its bytes ..........................................")
	require.NoError(t, os.WriteFile(path, text, 0o600))
	_, err := Open(ctx, path, Options{})
	require.ErrorIs(t, err, ErrDamaged)
	require.ErrorContains(t, err, path)
	require.ErrorContains(t, err, "dwindle restore")
	_, err = OpenReader(ctx, path, Options{})
	require.ErrorIs(t, err, ErrDamaged)
	left, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, text, left)
}

func TestVerifyFindsADamagedPage(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	for i := range 2000 {
		commitAll(t, j, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Minute), float64(i)+0.5)))
	}
	require.NoError(t, j.Close())
	p, err := Verify(ctx, path)
	require.NoError(t, err)
	require.Equal(t, Proof{Version: schemaVersion(), Readings: 2000, Devices: 1, Rows: 2000, From: t0.UnixMilli(), To: t0.Add(1999 * time.Minute).UnixMilli(), Received: t0.Add(1999*time.Minute + 2*time.Second)}, p)

	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	info, err := f.Stat()
	require.NoError(t, err)
	junk := make([]byte, 4096)
	for i := range junk {
		junk[i] = 0xa5
	}
	_, err = f.WriteAt(junk, info.Size()-8192) // a page of the largest table
	require.NoError(t, err)
	require.NoError(t, f.Close())
	_, err = Verify(ctx, path)
	require.ErrorIs(t, err, ErrDamaged)
}

func TestANewerOrAForeignFileIsRefused(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	_, err = j.w.ExecContext(ctx, "PRAGMA user_version = 99")
	require.NoError(t, err)
	require.NoError(t, j.Close())
	_, err = Open(ctx, path, Options{})
	require.ErrorIs(t, err, ErrNewer)
	require.ErrorContains(t, err, "version 99")

	path = filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE recipes (name TEXT)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = Open(ctx, path, Options{})
	require.ErrorContains(t, err, "another program")
}

func TestAFullDiskStopsCommitsAndPasses(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	err := j.Limit(ctx, 1) // no page more: SQLite's own full disk
	require.NoError(t, err)
	var big Batch
	for i := range 5000 {
		big = append(big, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Second), float64(i))))
	}
	for range 2 {
		_, err = j.Commit(ctx, big)
		require.ErrorIs(t, err, ErrUnwritable)
		require.ErrorContains(t, err, "disk full")
	}
	require.Len(t, all(t, j), 1, "nothing of the batch is stored")
	n, err := j.Counters(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 1, n[CountReceived], "nothing of it is counted")
	err = j.Limit(ctx, 0)
	require.NoError(t, err)
	_, err = j.Commit(ctx, big)
	require.NoError(t, err)
	require.Len(t, all(t, j), 5000)
}

func TestAnUncleanStopIsNoticedAndTheFileChecked(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	path := filepath.Join(dir, "journal.db")
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	// What a kill leaves behind: the files as they are while open.
	left := filepath.Join(t.TempDir(), "journal.db")
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(left+end, b, 0o600))
	}
	require.NoError(t, j.Close())

	checks := health.New(nil)
	k := open(t, left, Options{Health: checks})
	k.background.Wait()
	require.Equal(t, checkFile, checks.List()[0].Name)
	require.Equal(t, health.Ok, checks.List()[0].Level)
	require.Len(t, all(t, k), 1, "what was committed is there")
}

func TestBackupIsAWholeJournal(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	commitAll(t, j, entry(hours("mill-1", t0, 1)), Entry{Facts: []reading.Fact{{Kind: reading.FactChange, Device: "d-1", At: t0, Received: t0}}})
	path := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, j.Backup(ctx, path))
	p, err := Verify(ctx, path)
	require.NoError(t, err)
	require.EqualValues(t, 1, p.Readings)
	require.EqualValues(t, 1, p.Facts)
	require.ErrorContains(t, j.Backup(ctx, path), "exists already")
	k := open(t, path, Options{})
	require.Equal(t, []Outcome{Duplicate}, commitAll(t, k, entry(hours("mill-1", t0, 1))).Outcomes)
}

func TestForecastsAreKeptAsIssued(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	_, _, ok, err := j.Forecast(ctx, 20000)
	require.NoError(t, err)
	require.False(t, ok)
	require.NoError(t, j.SaveForecast(ctx, 20000, t0, []byte(`[1]`)))
	require.NoError(t, j.SaveForecast(ctx, 20000, t0.Add(time.Hour), []byte(`[2]`)))
	require.NoError(t, j.SaveForecast(ctx, 20000, t0, []byte(`[3]`)), "an older one does not replace a newer one")
	at, body, ok, err := j.Forecast(ctx, 20000)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, t0.Add(time.Hour), at)
	require.Equal(t, `[2]`, string(body))
}

func TestClosedJournalsRefuseWithoutPanic(t *testing.T) {
	j, err := Open(context.Background(), filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	require.NoError(t, j.Close())
	_, err = j.Commit(context.Background(), Batch{entry(hours("mill-1", t0, 1))})
	require.True(t, errors.Is(err, ErrReadOnly) || errors.Is(err, errClosed))
	require.NoError(t, j.Close())
}

// Supervisors read the counters while those of a damaged journal are taken over.
func TestCountersAreReadWhileTheyAreRaised(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	done := make(chan error, 1)
	go func() {
		var err error
		for i := 0; i < 200 && err == nil; i++ {
			err = j.RaiseCounters(ctx, map[string]int64{fmt.Sprint("a", i): 1, CountReceived: int64(i)})
		}
		done <- err
	}()
	for {
		select {
		case err := <-done:
			require.NoError(t, err)
			n, err := j.Counters(ctx)
			require.NoError(t, err)
			require.EqualValues(t, 199, n[CountReceived])
			return
		default:
			_, err := j.Counters(ctx)
			require.NoError(t, err)
		}
	}
}

// Messages kept aside are all that there is of what they say: those of a damaged
// journal that are newer than its copy are kept aside again, and counted once.
func TestMessagesKeptAsideAreSavedFromADamagedJournal(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	old, err := Open(ctx, filepath.Join(dir, "old.db"), Options{})
	require.NoError(t, err)
	for i := range 5 {
		commitAll(t, old, Entry{Kept: &Kept{Received: t0.Add(time.Duration(i) * time.Hour), Device: "d", Reason: "not_json", Topic: "t", Payload: []byte{byte('0' + i)}, Retained: i == 4}})
	}
	require.NoError(t, old.Close())
	w, err := OpenWreck(filepath.Join(dir, "old.db"))
	require.NoError(t, err)
	defer w.Close()
	j := fresh(t)
	require.NoError(t, j.RaiseCounters(ctx, w.Counters(ctx)))
	require.NoError(t, w.KeptAside(ctx, t0.Add(2*time.Hour), func(b Batch) error {
		_, err := j.StoreAgain(ctx, b)
		return err
	}))
	require.Zero(t, w.Lost)
	list, err := j.KeptMessages(ctx, 0, KeptFilter{})
	require.NoError(t, err)
	require.Len(t, list, 2)
	require.Equal(t, "3", string(list[0].Payload))
	require.Equal(t, t0.Add(4*time.Hour), list[1].Received)
	require.True(t, list[1].Retained)
	n, err := j.Counters(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 5, n[CountKept+"not_json"])
}
