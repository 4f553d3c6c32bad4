package station

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/systemd"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/config"
)

// terminal is a small site in a directory of its own.
func terminal(t *testing.T, dir string) *config.Site {
	t.Helper()
	file := filepath.Join(dir, "site.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`
site: terminal
zone: Europe/Vienna
data: data
areas: [{id: intake}]
machines: [{id: be-01, area: intake}]
lubricants: [{id: ep2, density_g_per_cm3: 0.9}]
reservoirs: [{id: r125, nominal_cm3: 125, usable_cm3: 120}]
dispenser_models: [{id: runner, pacing: [run], run_steps_cm3_per_100h: [2]}]
points:
  - {id: be-01-head, machine: be-01, lubricant: ep2, reservoir: r125, plan: {dose_cm3_per_100h: 2, hours_per_week: 80}}
dispensers:
  - {id: d-01, model: runner, point: be-01-head, every: 1h, settings: [{valid_from: 2026-01-01, pacing: run, cm3_per_100h: 2}]}
`), 0o600))
	site, err := config.Load(file)
	require.NoError(t, err)
	return site
}

// hourly is a log of run-hours, one message every ten minutes.
func hourly(from, n int) *bytes.Buffer {
	var b bytes.Buffer
	begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := from; i < from+n; i++ {
		fmt.Fprintf(&b, `{"received":%q,"topic":"lube/v1/terminal/be-01/run","payload":{"hours":%g}}`+"\n", begin.Add(time.Duration(i)*10*time.Minute).Format(time.RFC3339), float64(i)/8)
	}
	return &b
}

func feed(t *testing.T, c *Station, log *bytes.Buffer) {
	t.Helper()
	_, err := c.Replay(context.Background(), log)
	require.NoError(t, err)
}

// template makes a data directory with a snapshot, and messages newer than it,
// as a process that was killed leaves it.
func template(t *testing.T, snapshots bool) string {
	t.Helper()
	ctx := context.Background()
	dir := t.TempDir()
	site := terminal(t, dir)
	c, err := New(ctx, site, Options{})
	require.NoError(t, err)
	feed(t, c, hourly(0, 3000))
	if snapshots {
		require.NoError(t, c.Snapshot(ctx))
	}
	feed(t, c, hourly(3000, 1000))
	require.NoError(t, c.Close())
	c, err = New(ctx, site, Options{}) // says in the file that it is open
	require.NoError(t, err)
	for i := range 5 { // commits that are in the log only
		feed(t, c, hourly(4000+i, 1))
	}
	killed := t.TempDir()
	require.NoError(t, os.CopyFS(killed, os.DirFS(dir)))
	require.NoError(t, c.Close())
	return killed
}

// sound says what SQLite makes of a file.
func sound(path string) bool {
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		return false
	}
	defer db.Close()
	var verdict string
	return db.QueryRow("PRAGMA quick_check(1)").Scan(&verdict) == nil && verdict == "ok"
}

// serving serves a site until the test ends or stop is called.
func serving(t *testing.T, site *config.Site) (current func() *Station, stop func()) {
	t.Helper()
	return servingFor(t, site, nil)
}

// servingFor is serving, told to a service manager.
func servingFor(t *testing.T, site *config.Site, n *systemd.Notifier) (current func() *Station, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}, 8), make(chan error, 1)
	go func() {
		ended <- Serve(ctx, site, Options{Manager: n, Ready: func(Addresses) { ready <- struct{}{} }})
	}()
	select {
	case <-ready:
	case err := <-ended:
		require.NoError(t, err, "it must start")
	case <-time.After(30 * time.Second):
		require.Fail(t, "it did not start")
	}
	done := false
	stop = func() {
		if !done {
			done = true
			cancel()
			require.NoError(t, <-ended)
		}
	}
	t.Cleanup(stop)
	return nil, stop
}

// takes says that a message is stored by whoever serves, or soon.
func takes(t *testing.T, site *config.Site, log func() *bytes.Buffer) {
	t.Helper()
	require.Eventually(t, func() bool {
		r, ok := reach(context.Background(), site.DataDir())
		if !ok {
			return false
		}
		defer r.Close()
		out, err := r.Replay(context.Background(), log())
		return err == nil && out.Stored+out.Duplicates == 1
	}, 30*time.Second, 50*time.Millisecond, "the intake must go on")
}

// readings counts what is stored now.
func readings(t *testing.T, site *config.Site) int64 {
	t.Helper()
	p, err := journal.Verify(context.Background(), filepath.Join(site.DataDir(), journalFile))
	require.NoError(t, err)
	return p.Readings
}

// Whatever happens to the journal's file while nobody runs: the program
// starts, takes messages, keeps the damaged file, and says so.
func TestADamagedJournalIsPutAsideAndServingGoesOn(t *testing.T) {
	whole, bare := template(t, true), template(t, false)
	flips := func(n int) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			random := rand.New(rand.NewPCG(900, uint64(n)))
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(t, err)
			defer f.Close()
			info, err := f.Stat()
			require.NoError(t, err)
			for range n {
				block := make([]byte, 4096)
				for i := range block {
					block[i] = byte(random.Uint32())
				}
				_, err = f.WriteAt(block, random.Int64N(info.Size()/4096)*4096)
				require.NoError(t, err)
			}
		}
	}
	drop := func(t *testing.T, path string) {
		require.NoError(t, os.Remove(path+"-wal"))
		require.NoError(t, os.Remove(path+"-shm"))
	}
	damage := map[string]struct {
		do      func(t *testing.T, path string)
		salvage bool // what is newer than the snapshot can mostly be read
	}{
		"a block of readings": {func(t *testing.T, path string) {
			overwrite(t, path, size(path)/2&^4095, bytes.Repeat([]byte{0xa5}, 4096))
		}, true},
		"one block":    {flips(1), false},
		"two blocks":   {flips(2), false},
		"many blocks":  {flips(12), false},
		"first block":  {func(t *testing.T, path string) { overwrite(t, path, 0, bytes.Repeat([]byte{0xa5}, 4096)) }, false},
		"cut off":      {func(t *testing.T, path string) { drop(t, path); require.NoError(t, os.Truncate(path, size(path)/2)) }, false},
		"cut off live": {func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, size(path)/2)) }, false},
		"empty":        {func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 0)) }, false},
		"garbage": {func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("not a journal ", 5000)), 0o600))
		}, false},
		"deleted": {func(t *testing.T, path string) { require.NoError(t, os.Remove(path)) }, false},
		"log":     {func(t *testing.T, path string) { overwrite(t, path+"-wal", 2000, []byte{1, 2, 3, 4, 5, 6, 7, 8}) }, true},
	}
	for name, x := range damage {
		for _, from := range []string{whole, bare} {
			with := map[string]string{whole: " with a snapshot", bare: " without"}[from]
			t.Run(name+with, func(t *testing.T) {
				dir := t.TempDir()
				require.NoError(t, os.CopyFS(dir, os.DirFS(from)))
				site := terminal(t, dir)
				path := filepath.Join(site.DataDir(), journalFile)
				x.do(t, path)
				probe := filepath.Join(t.TempDir(), "probe")
				require.NoError(t, os.CopyFS(probe, os.DirFS(site.DataDir())))
				broken := !sound(filepath.Join(probe, journalFile)) || size(path) == 0 || name == "log"
				_, stop := serving(t, site)
				takes(t, site, func() *bytes.Buffer { return hourly(5000, 1) })
				if !broken {
					return // nobody can see a wrong value in a sound page
				}
				require.Eventually(t, func() bool {
					list := damages(site.DataDir())
					return len(list) > 0 && !list[len(list)-1].Searched.IsZero()
				}, 30*time.Second, 20*time.Millisecond, "the damaged file is put aside and looked through")
				takes(t, site, func() *bytes.Buffer { return hourly(5000, 1) })
				stop()
				d := damages(site.DataDir())[0]
				require.Equal(t, "journal", d.Store)
				require.NotEmpty(t, d.Cause)
				if name != "deleted" {
					require.FileExists(t, filepath.Join(d.dir, journalFile), "nothing is deleted")
				}
				require.Equal(t, from == whole, d.Snapshot != "")
				n := readings(t, site)
				t.Logf("%d of 4006 readings, %d saved, %d stretches lost, %s", n, d.Saved, d.Lost, d.Failed)
				if from == whole {
					require.GreaterOrEqual(t, n, int64(3001), "what the snapshot has, and what came since")
				}
				if x.salvage && from == whole {
					require.Greater(t, n, int64(3500), "most of what is newer can be read")
				}

				// It is shown until somebody has moved the damaged file away.
				c, err := New(context.Background(), site, Options{})
				require.NoError(t, err)
				defer c.Close()
				require.NotEqual(t, health.Ok, levelOf(c, checkDamage))
				require.NoError(t, os.Rename(d.dir, filepath.Join(t.TempDir(), "seen")))
				for _, other := range damages(site.DataDir()) {
					require.NoError(t, os.RemoveAll(other.dir))
				}
				c.showDamage()
				require.Equal(t, health.Ok, levelOf(c, checkDamage))
			})
		}
	}
}

func overwrite(t *testing.T, path string, at int64, with []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	defer f.Close()
	_, err = f.WriteAt(with, at)
	require.NoError(t, err)
}

// Damage while serving: the first commit that meets it has the store replaced.
func TestDamageWhileServingIsNoticed(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS(template(t, true))))
	site := terminal(t, dir)
	path := filepath.Join(site.DataDir(), journalFile)
	m, n := managed(t, time.Hour)
	_, stop := servingFor(t, site, n)
	takes(t, site, func() *bytes.Buffer { return hourly(5000, 1) })
	for at := int64(8192); at+1024 < size(path); at += 1024 {
		overwrite(t, path, at, bytes.Repeat([]byte{0x5a}, 1024))
	}
	i := 6000
	require.Eventually(t, func() bool {
		r, ok := reach(context.Background(), site.DataDir())
		if !ok {
			return false
		}
		defer r.Close()
		i++ // other pages are asked for each time
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_, _ = r.Replay(ctx, hourly(i*10, 1))
		return len(damages(site.DataDir())) > 0
	}, 60*time.Second, 100*time.Millisecond)
	takes(t, site, func() *bytes.Buffer { return hourly(7, 1) })
	d := damages(site.DataDir())[0]
	require.NotEmpty(t, d.Snapshot)

	// A service manager that heard of a stop would wait for the end, and then
	// put one to it.
	soon(t, func() bool { return m.count("READY=1") >= 2 })
	require.Zero(t, m.count("STOPPING=1"))
	stop()

	soon(t, func() bool { return m.count("STOPPING=1") == 1 })
}

// A ledger is treated likewise.
func TestADamagedLedgerIsPutAside(t *testing.T) {
	for name, do := range map[string]func(t *testing.T, path string){
		"garbage": func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("not a ledger ", 5000)), 0o600))
		},
		"deleted": func(t *testing.T, path string) { require.NoError(t, os.Remove(path)) },
		"pages":   func(t *testing.T, path string) { overwrite(t, path, 4096, bytes.Repeat([]byte{0xff}, 8*4096)) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, os.CopyFS(dir, os.DirFS(template(t, true))))
			site := terminal(t, dir)
			do(t, filepath.Join(site.DataDir(), ledgerFile))
			serving(t, site)
			require.Eventually(t, func() bool { return len(damages(site.DataDir())) > 0 }, 30*time.Second, 20*time.Millisecond)
			takes(t, site, func() *bytes.Buffer { return hourly(5000, 1) })
			require.Equal(t, "ledger", damages(site.DataDir())[0].Store)
		})
	}
}

// A copy that is not sound is passed over for an older one.
func TestTheNewestSoundSnapshotIsTaken(t *testing.T) {
	ctx := context.Background()
	site := terminal(t, t.TempDir())
	now := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	opt := Options{Now: func() time.Time { return now }}
	c, err := New(ctx, site, opt)
	require.NoError(t, err)
	for i := range 5 {
		now = now.AddDate(0, 0, 1)
		feed(t, c, hourly(100*i, 100))
		require.NoError(t, c.Snapshot(ctx))
	}
	require.NoError(t, c.Close())
	list := snapshotsOf(site.SnapshotDir(), journalStore, now)
	require.Len(t, list, config.DefaultSnapshotKeep)
	require.Len(t, snapshotsOf(site.SnapshotDir(), ledgerStore, now), config.DefaultSnapshotKeep)
	overwrite(t, list[0].path, 4096, bytes.Repeat([]byte{1}, 4096))
	require.NoError(t, os.WriteFile(filepath.Join(site.DataDir(), journalFile), []byte(strings.Repeat("x", 9000)), 0o600))
	c, err = New(ctx, site, opt)
	require.NoError(t, err)
	defer c.Close()
	d := damages(site.DataDir())
	require.Len(t, d, 1)
	require.Equal(t, filepath.Base(list[1].path), d[0].Snapshot)
	require.Equal(t, []string{filepath.Base(list[0].path)}, d[0].Refused)
}

// A gateway whose clock was years ahead for a while goes on making snapshots
// once it is right, and goes on from the newest of those.
func TestASnapshotOfTheFutureKeepsNoneFromComing(t *testing.T) {
	ctx := context.Background()
	site := terminal(t, t.TempDir())
	keep := 1
	site.Snapshots.Keep = &keep
	now := time.Date(2036, 3, 9, 6, 0, 0, 0, time.UTC)
	c, err := New(ctx, site, Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	defer c.Close()
	feed(t, c, hourly(0, 10))
	require.NoError(t, c.snapshotIfDue(ctx))
	now = now.AddDate(-10, 0, 0)
	feed(t, c, hourly(10, 10))
	for range 2 {
		require.NoError(t, c.snapshotIfDue(ctx))
		list := snapshotsOf(site.SnapshotDir(), journalStore, now)
		require.Len(t, list, 1)
		require.Equal(t, now, list[0].taken)
	}
}

func TestSnapshotsComeWhenDue(t *testing.T) {
	ctx := context.Background()
	site := terminal(t, t.TempDir())
	const mb = 1 << 20
	require.Equal(t, 24*time.Hour, due(site, 80*mb))
	require.Equal(t, 7*24*time.Hour, due(site, 700*mb), "so that copies write no more than the site allows")
	require.Equal(t, snapshotMost, due(site, 1e12))

	now := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	c, err := New(ctx, site, Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	defer c.Close()
	copies := func() int { return len(snapshotsOf(site.SnapshotDir(), journalStore, now)) }
	look := func() {
		require.NoError(t, c.snapshotIfDue(ctx))
	}
	feed(t, c, hourly(0, 10))
	look()
	require.Equal(t, 1, copies())
	now = now.Add(23 * time.Hour)
	feed(t, c, hourly(10, 10))
	look()
	require.Equal(t, 1, copies(), "not yet due")
	now = now.Add(2 * time.Hour)
	look()
	require.Equal(t, 2, copies())
	now = now.AddDate(0, 0, 3)
	look()
	require.Equal(t, 2, copies(), "nothing came since")
	require.Equal(t, health.Ok, levelOf(c, checkSnapshots))

	// Where it cannot be made, that is said, and the old ones stay.
	feed(t, c, hourly(20, 10))
	require.NoError(t, os.Chmod(site.SnapshotDir(), 0o500))
	defer os.Chmod(site.SnapshotDir(), 0o700)
	if os.Geteuid() == 0 { // whom modes do not stop
		require.NoError(t, os.Chmod(site.SnapshotDir(), 0o700))
		none := 0
		site.Snapshots.Keep = &none
		look()
		require.Equal(t, 2, copies(), "none are made where none are wanted")
		return
	}
	look()
	require.Equal(t, health.Warn, levelOf(c, checkSnapshots))
	require.Equal(t, 2, copies())
}
