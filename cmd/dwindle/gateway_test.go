package main

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal/disktest"
	"dwindle/config"
)

// The gateway's owner does things to it that its maker never thought of.

// edit replaces a text in a site file.
func edit(t *testing.T, file, old, now string) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Contains(t, string(text), old)
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), old, now, 1)), 0o600))
}

func TestAReloadWithAnotherPrefixGoesOnByTheOldOne(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	s := serve(t, file)
	edit(t, file, "  embedded_broker:", "  prefix: other/v2\n  embedded_broker:")
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	s.logged("site file read again")
	var a acked
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	a.publish(ctx, t, addr, 0, 0)
	require.NotEmpty(t, a.got)
	s.waitStored(func() int { return len(a.got) })
	require.GreaterOrEqual(t, s.stored(), len(a.got))
	require.Empty(t, s.kept())
	s.stop()
}

// logLine is a line of a replay log.
func logLine(i int) string {
	when := killStart.Add(time.Duration(i) * time.Minute).Format(time.RFC3339)
	return fmt.Sprintf(`{"received":%q,"topic":"lube/v1/quay/be-08/run","payload":{"at":%q,"hours":%d.5}}`+"\n", when, when, 100+i/60)
}

func TestAReplayCountsItsOwnMessagesOnly(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	s := serve(t, file)
	var a acked
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var workers sync.WaitGroup
	workers.Go(func() { a.publish(ctx, t, addr, 0, 0) })
	var log strings.Builder
	for i := range 3000 {
		log.WriteString(logLine(i))
	}
	path := filepath.Join(t.TempDir(), "log.jsonl")
	require.NoError(t, os.WriteFile(path, []byte(log.String()), 0o600))
	require.Contains(t, must(t, "replay", "-c", file, path), "3000 messages: 3000 stored, 0 known already\n")
	require.Contains(t, must(t, "replay", "-c", file, path), "3000 messages: 0 stored, 3000 known already\n")
	cancel()
	workers.Wait()
	s.stop()
}

func TestAStopDuringAReplayIsClean(t *testing.T) {
	s := serve(t, quay(t, killDevices, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n"))
	cmd := command(t, "replay", "-c", s.site.Path(), "-")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	var errOut safeBuffer
	cmd.Stderr = &errOut
	require.NoError(t, cmd.Start())
	for i := range 500 {
		_, err := io.WriteString(in, logLine(i))
		require.NoError(t, err)
	}
	s.waitStored(func() int { return 1 })
	began := time.Now()
	s.stop() // while the log is still open; wants status 0
	t.Logf("stopped after %v", time.Since(began).Round(time.Millisecond))
	require.Positive(t, s.stored())
	_ = in.Close()
	require.Error(t, cmd.Wait(), "the log was not taken to its end")
	require.Contains(t, errOut.String(), "error:")
}

func TestEntriesAtTheSameTimeWaitForEachOther(t *testing.T) {
	file := quay(t, 4, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	must(t, "change", "-c", file, "be-01-head", "--by", "kim", "--at", "2026-03-02T08:00") // makes the journal
	var entries sync.WaitGroup
	for i := range 4 {
		entries.Go(func() {
			_, errOut, code := dwindle(t, "change", "-c", file, fmt.Sprintf("be-%02d-head", i+1), "--by", "kim")
			if code != exitDone {
				t.Errorf("entry %d: %s", i+1, errOut)
			}
		})
	}
	entries.Wait()
	require.Equal(t, 5, strings.Count(must(t, "export", "-c", file, "changes"), ",change,"))
}

func TestAJournalTakenAwayStopsAcknowledgingUntilItIsBack(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	s := serve(t, file)
	path := filepath.Join(s.site.DataDir(), "journal.db")
	var a acked
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var workers sync.WaitGroup
	workers.Go(func() { a.publish(ctx, t, addr, 0, 0) })
	s.waitStored(func() int { return 100 })
	require.NoError(t, os.Rename(path, path+".away"))
	s.logged("was deleted, moved or replaced")
	s.running()
	count := func() int { a.mu.Lock(); defer a.mu.Unlock(); return len(a.got) }
	time.Sleep(200 * time.Millisecond) // what was on its way
	before := count()
	time.Sleep(time.Second)
	require.Equal(t, before, count(), "nothing is acknowledged")
	require.NoError(t, os.Rename(path+".away", path))
	require.Eventually(t, func() bool { return count() > before+200 }, 60*time.Second, 50*time.Millisecond, "did not recover by itself:\n%s", s.log)
	cancel()
	workers.Wait()
	s.stop()
	a.requireAllOnce(t, s.site, 0)
}

func TestARestoreMovesALeftOverLogAside(t *testing.T) {
	file := quay(t, 2, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	must(t, "change", "-c", file, "be-01-head", "--by", "kim")
	backup := filepath.Join(t.TempDir(), "all.backup")
	must(t, "backup", "-c", file, backup)
	site, err := config.Load(file)
	require.NoError(t, err)
	path := filepath.Join(site.DataDir(), "journal.db")

	// A log of another life of the file, with a change that the backup lacks.
	must(t, "change", "-c", file, "be-02-head", "--by", "kim")
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec("UPDATE fact SET body = replace(body, 'kim', 'alex')")
	require.NoError(t, err)
	log, err := os.ReadFile(path + "-wal")
	require.NoError(t, err)
	require.NotEmpty(t, log)
	require.NoError(t, db.Close())
	for _, name := range []string{"journal.db", "ledger.db", "ledger.db-wal", "ledger.db-shm", "journal.db-shm"} {
		_ = os.Remove(filepath.Join(site.DataDir(), name))
	}
	require.NoError(t, os.WriteFile(path+"-wal", log, 0o600))

	out := must(t, "restore", "-c", file, backup)
	require.Contains(t, out, "What was there is in")
	require.NoFileExists(t, path+"-wal")
	changes := must(t, "export", "-c", file, "changes")
	require.Equal(t, 1, strings.Count(changes, ",change,"))
	require.NotContains(t, changes, "alex")
}

func TestALedgerAloneIsNotOverwritten(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	must(t, "change", "-c", file, "be-01-head", "--by", "kim")
	backup := filepath.Join(t.TempDir(), "all.backup")
	must(t, "backup", "-c", file, backup)
	site, err := config.Load(file)
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(site.DataDir(), "journal.db")))
	_, errOut, code := dwindle(t, "restore", "-c", file, backup)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "--replace")
	must(t, "restore", "-c", file, backup, "--replace")
}

func TestADirectoryReachedByTwoNamesIsHeldOnce(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	s := serve(t, file)
	link := filepath.Join(t.TempDir(), "elsewhere")
	require.NoError(t, os.Symlink(s.site.DataDir(), link))
	other := filepath.Join(t.TempDir(), "site.yaml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(other, []byte(strings.Replace(string(text), "data: data", "data: "+link, 1)), 0o600))
	_, errOut, code := dwindle(t, "serve", "-c", other)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "held by another dwindle")
	require.Contains(t, must(t, "change", "-c", other, "be-01-head", "--by", "kim"), "reservoir changed", "entries go through it by either name")
	s.stop()
}

func TestAReadOnlyDiskIsSaidWithWhatToDo(t *testing.T) {
	disk := disktest.Small(t, 4)
	require.NoError(t, os.Mkdir(filepath.Join(disk, "data"), 0o755))
	require.NoError(t, syscall.Mount("tmpfs", disk, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	edit(t, file, "data: data", "data: "+filepath.Join(disk, "data"))
	for _, verb := range [][]string{{"serve", "-c", file}, {"change", "-c", file, "be-01-head"}} {
		_, errOut, code := dwindle(t, verb...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, errOut, disk)
		require.Regexp(t, `(?m)^try: .*read-only`, errOut)
	}
}

func TestAStartThatFailsHalfwayLeavesNothingRunning(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n  board: {listen: \""+l.Addr().String()+"\"}\n")
	_, errOut, code := dwindle(t, "serve", "-c", file)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "connections.board")
	require.NoFileExists(t, filepath.Join(filepath.Dir(file), "data", "control.sock"), "what had begun was ended in order")
}

func TestServeEndsWhenItsIntakeCannotStart(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	must(t, "change", "-c", file, "be-01-head", "--by", "kim")
	site, err := config.Load(file)
	require.NoError(t, err)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(site.DataDir(), "journal.db"))
	require.NoError(t, err)
	_, err = db.Exec("UPDATE fact SET body = 'no longer JSON'")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	cmd := command(t, "serve", "-c", file)
	var errOut safeBuffer
	cmd.Stderr = &errOut
	require.NoError(t, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case err := <-ended:
		require.Error(t, err)
		require.Contains(t, errOut.String(), "start the intake")
	case <-time.After(30 * time.Second):
		_ = cmd.Process.Kill()
		<-ended
		require.FailNow(t, "serve went on without an intake", "%s", &errOut)
	}
}
