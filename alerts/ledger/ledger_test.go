package ledger_test

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var start = time.Date(2027, 1, 4, 6, 0, 0, 0, time.UTC)

func open(t *testing.T) *ledger.Ledger {
	t.Helper()
	// Characters that mean something in a URI must not lead astray.
	return openAt(t, filepath.Join(t.TempDir(), "a?mode=memory&x=%20 b#c.db"))
}

func openAt(t *testing.T, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), path)
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func occurrence(n int, listed bool, began time.Time) ledger.Occurrence {
	o := ledger.Occurrence{Subject: fmt.Sprintf("P-%d", n), Listed: listed, Row: alarm.Row{
		ID: fmt.Sprintf("A-%05d", n), Type: alarm.UnderDelivery, Point: fmt.Sprintf("P-%d", n), State: alarm.Unacknowledged, Priority: alarm.Low, Since: began,
		Response: []string{"look"},
	}}
	if !listed {
		end := began.Add(time.Hour)
		o.Row.Ended, o.Row.State = &end, alarm.Normal
	}
	return o
}

func TestWhatIsCommittedIsThereAfterReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openAt(t, path)
	a := alarm.Alarm{
		Key: alarm.Key{Type: alarm.UnderDelivery, Subject: "P-1"}, Condition: true, Unacked: true, Occurrence: "A-00001", Began: start, Announced: start,
		Priority: alarm.High, Shelved: &alarm.Shelving{Until: start.Add(time.Hour), By: "kim", Reason: "why"}, Seen: alarm.Seen{Value: 0.1, Unit: "1"},
	}
	move := alarm.Transition{At: start, Key: a.Key, Occurrence: "A-00001", From: alarm.Normal, To: alarm.Unacknowledged, Trigger: alarm.Confirmed, Notice: alarm.Announce, By: alarm.System}
	entry := ledger.Entry{At: start, Actor: "kim", Action: "acknowledged", Object: "P-1", Before: "a", After: "b", Reason: "c"}
	require.NoError(t, l.Commit(t.Context(), ledger.Change{
		Alarms: []alarm.Alarm{a}, Occurrences: []ledger.Occurrence{occurrence(1, true, start)}, Transitions: []alarm.Transition{move}, Log: []ledger.Entry{entry},
	}))
	require.NoError(t, l.Close())

	l = openAt(t, path)
	alarms, err := l.Alarms(t.Context())
	require.NoError(t, err)
	require.Equal(t, []alarm.Alarm{a}, alarms)
	rows, err := l.Rows(t.Context(), ledger.Filter{})
	require.NoError(t, err)
	require.Equal(t, []alarm.Row{occurrence(1, true, start).Row}, rows)
	moves, err := l.Transitions(t.Context(), "A-00001")
	require.NoError(t, err)
	require.Equal(t, []alarm.Transition{move}, moves)
	log, err := l.Logbook(t.Context(), "", 0)
	require.NoError(t, err)
	entry.Seq = 1
	require.Equal(t, []ledger.Entry{entry}, log)

	require.NoError(t, l.Commit(t.Context(), ledger.Change{Gone: []alarm.Key{a.Key}}))
	alarms, err = l.Alarms(t.Context())
	require.NoError(t, err)
	require.Empty(t, alarms)
}

func TestAChangeIsWrittenWholeOrNotAtAll(t *testing.T) {
	l := open(t)
	bad := occurrence(1, true, start)
	bad.Row.Value = nan()
	err := l.Commit(t.Context(), ledger.Change{Log: []ledger.Entry{{At: start, Actor: "kim"}}, Occurrences: []ledger.Occurrence{bad}})
	require.ErrorContains(t, err, "occurrence A-00001")
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, l.Commit(gone, ledger.Change{Log: []ledger.Entry{{At: start}}}), context.Canceled)
	log, err := l.Logbook(t.Context(), "", 0)
	require.NoError(t, err)
	require.Empty(t, log)
}

func nan() float64 { var zero float64; return zero / zero }

func TestFilters(t *testing.T) {
	l := open(t)
	for n := 1; n <= 6; n++ {
		require.NoError(t, l.Commit(t.Context(), ledger.Change{Occurrences: []ledger.Occurrence{occurrence(n, n > 4, start.AddDate(0, 0, n))}}))
	}
	ids := func(f ledger.Filter) (out []string) {
		rows, err := l.Rows(t.Context(), f)
		require.NoError(t, err)
		for _, r := range rows {
			out = append(out, r.ID)
		}
		return out
	}
	require.Equal(t, []string{"A-00005", "A-00006"}, ids(ledger.Filter{}))
	require.Equal(t, []string{"A-00006", "A-00005", "A-00004"}, ids(ledger.Filter{History: true, Limit: 3}))
	require.Equal(t, []string{"A-00006", "A-00005", "A-00004"}, ids(ledger.Filter{History: true, From: start.AddDate(0, 0, 4)}))
	require.Equal(t, []string{"A-00002", "A-00001"}, ids(ledger.Filter{History: true, To: start.AddDate(0, 0, 3)}))
	require.Equal(t, []string{"A-00003"}, ids(ledger.Filter{History: true, Point: "P-3"}))
	require.Equal(t, []string{"A-00003"}, ids(ledger.Filter{History: true, Point: "P-3", Type: alarm.UnderDelivery}))
	require.Empty(t, ids(ledger.Filter{History: true, Point: "P-3' OR '1'='1"}))
	require.Empty(t, ids(ledger.Filter{History: true, Type: alarm.OverDelivery}))
	n, err := l.Occurrences(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 6, n)
}

func TestAnEntryWithAReferenceStandsOnce(t *testing.T) {
	l := open(t)
	for range 2 {
		require.NoError(t, l.Commit(t.Context(), ledger.Change{Log: []ledger.Entry{{At: start, Actor: "kim", Ref: "fact 1"}, {At: start, Actor: "kim"}}}))
	}
	log, err := l.Logbook(t.Context(), "", 0)
	require.NoError(t, err)
	require.Len(t, log, 3)
}

// Nobody, not even who opens the file with another program that honours its
// schema, rewrites what happened.
func TestTransitionsAndLogbookAreOnlyAddedTo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openAt(t, path)
	require.NoError(t, l.Commit(t.Context(), ledger.Change{
		Log: []ledger.Entry{{At: start, Actor: "kim"}}, Transitions: []alarm.Transition{{At: start, Occurrence: "A-00001"}},
	}))
	require.NoError(t, l.Close())
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer func() { _ = db.Close() }()
	for _, statement := range []string{"UPDATE logbook SET actor = 'eve'", "DELETE FROM logbook", "UPDATE transition SET body = ''", "DELETE FROM transition"} {
		_, err := db.ExecContext(t.Context(), statement)
		require.ErrorContains(t, err, "only added", statement)
	}
}

func TestReaderBesideAWriter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	w := openAt(t, path)
	r, err := ledger.OpenReader(t.Context(), path)
	require.NoError(t, err)
	defer func() { _ = r.Close() }()
	require.NoError(t, w.Commit(t.Context(), ledger.Change{Occurrences: []ledger.Occurrence{occurrence(1, true, start)}}))
	rows, err := r.Rows(t.Context(), ledger.Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	require.ErrorContains(t, r.Commit(t.Context(), ledger.Change{Log: []ledger.Entry{{At: start}}}), "reading only")
}

func TestFilesThatCannotBeTaken(t *testing.T) {
	dir := t.TempDir()
	_, err := ledger.OpenReader(t.Context(), filepath.Join(dir, "none.db"))
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = ledger.Open(t.Context(), filepath.Join(dir, "no", "ledger.db"))
	require.ErrorContains(t, err, "see that the data directory exists")

	damaged := filepath.Join(dir, "damaged.db")
	require.NoError(t, os.WriteFile(damaged, []byte("this is no database, and long enough to be read as one"), 0o600))
	_, err = ledger.Open(t.Context(), damaged)
	require.ErrorContains(t, err, damaged)

	newer := filepath.Join(dir, "newer.db")
	require.NoError(t, openAt(t, newer).Close())
	db, err := sql.Open("sqlite", newer)
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), "PRAGMA user_version = 99")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = ledger.Open(t.Context(), newer)
	require.ErrorContains(t, err, "newer version")
	_, err = ledger.OpenReader(t.Context(), newer)
	require.ErrorContains(t, err, "newer version")
}

func TestFileModeKeepsOthersOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	openAt(t, path)
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o007)
}

// What is written to a file that was taken away is gone when the process ends.
func TestNothingIsWrittenToALedgerThatWasTakenAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(t.Context(), path)
	require.NoError(t, err)
	defer l.Close()
	change := ledger.Change{Log: []ledger.Entry{{At: time.UnixMilli(1793000000000).UTC(), Actor: "kim", Action: "note", Object: "be-01-head"}}}
	require.NoError(t, l.Commit(t.Context(), change))
	require.NoError(t, os.Rename(path, path+".away"))
	require.ErrorIs(t, l.Commit(t.Context(), change), ledger.ErrGone)
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	require.ErrorIs(t, l.Commit(t.Context(), change), ledger.ErrGone, "another one in its place")
	require.NoError(t, os.Rename(path+".away", path))
	require.NoError(t, l.Commit(t.Context(), change))
	log, err := l.Logbook(t.Context(), "", 10)
	require.NoError(t, err)
	require.Len(t, log, 2)
}
