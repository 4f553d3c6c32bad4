package collector

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

// crashJournal names the journal that this test program, started again, fills
// until it is killed.
const crashJournal = "COLLECTOR_CRASH_JOURNAL"

// crashChild takes messages for ever and prints the number of each one that
// was acknowledged.
func crashChild(path string) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	ctx := context.Background()
	site := &config.Site{ID: "terminal", Zone: "Europe/Vienna", Machines: []config.Machine{{ID: "elevator-1"}}}
	fail(site.Reindex())
	j, err := journal.Open(ctx, path, journal.Options{})
	fail(err)
	in := NewIntake(func() *config.Site { return site }, j, nil, nil)
	if os.Getenv(crashJournal+"_MUTANT") != "" {
		acknowledgeFirst(in)
	}
	go func() { fail(in.Run(ctx)) }()
	begin, err := strconv.Atoi(os.Getenv(crashJournal + "_FROM"))
	fail(err)
	for i := begin; ; i++ {
		when := t0.Add(time.Duration(i) * time.Second)
		m := message("elevator-1", "run", when, `{"hours":%.4f,"at":%q}`, 100+float64(i)/3600, at(when))
		m.Done = func(err error) {
			if err == nil {
				fmt.Println(i) // one write: the pipe has it before the next line
			}
		}
		fail(in.Submit(ctx, m))
		if i%500 == 499 {
			fail(in.Flush(ctx)) // a kill may hit the deriving, too
		}
	}
}

// killed fills a journal and kills the intake in mid-work, some times over. It
// gives the numbers of the messages that were acknowledged, and how many
// readings the file then holds.
func killed(t *testing.T, path string, rounds int, env ...string) (acknowledged map[int64]bool, stored int64) {
	t.Helper()
	acknowledged = map[int64]bool{}
	next := 0
	for round := range rounds {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(append(os.Environ(), crashJournal+"="+path, crashJournal+"_FROM="+strconv.Itoa(next)), env...)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			i, err := strconv.Atoi(lines.Text())
			require.NoError(t, err)
			acknowledged[int64(i)] = true
			next = max(next, i+1)
			if n == 300+317*round {
				require.NoError(t, cmd.Process.Kill()) // SIGKILL; what is in the pipe is still read
			}
		}
		require.Error(t, cmd.Wait(), "killed, not ended")
		p, err := journal.Verify(context.Background(), path)
		require.NoError(t, err, "the file is sound")
		stored = p.Readings
	}
	return acknowledged, stored
}

// lost counts the acknowledged messages that are not in the journal.
func lost(t *testing.T, h *History, acknowledged map[int64]bool) (n int) {
	t.Helper()
	found := map[int64]bool{}
	require.NoError(t, h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error {
		found[int64(r.At.Sub(t0)/time.Second)] = true
		return nil
	}))
	for i := range acknowledged {
		if !found[i] {
			n++
		}
	}
	return n
}

// The promise of the intake: what was acknowledged survives kill -9, with the
// daily figures that follow from it.
func TestWhatWasAcknowledgedSurvivesAKill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	acknowledged, stored := killed(t, path, 6)
	require.GreaterOrEqual(t, stored, int64(len(acknowledged)))

	x := startAt(t, terminal(t, 1, 1), path)
	require.Zero(t, lost(t, x.h, acknowledged), "of %d that were acknowledged", len(acknowledged))
	until := t0.AddDate(0, 0, 2)
	before := ask(t, x.h, until)
	require.NoError(t, x.Rebuild(context.Background()))
	require.Equal(t, before, ask(t, x.h, until), "what was derived before the kills agrees with what follows from the readings")
}

func TestAKillCatchesWhatIsAcknowledgedBeforeTheCommit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	acknowledged, _ := killed(t, path, 1, crashJournal+"_MUTANT=1")
	require.Positive(t, lost(t, startAt(t, terminal(t, 1, 1), path).h, acknowledged), "the check does not see what it is there for")
}
