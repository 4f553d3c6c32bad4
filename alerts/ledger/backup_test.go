package ledger_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/ledger"
)

func TestABackupHoldsWhatTheLedgerHolds(t *testing.T) {
	dir := t.TempDir()
	l, err := ledger.Open(t.Context(), filepath.Join(dir, "ledger.db"))
	require.NoError(t, err)
	defer l.Close()
	entry := ledger.Entry{At: time.UnixMilli(1793000000000).UTC(), Actor: "kim", Action: "note", Object: "be-01-head", Reason: "seal looked dry"}
	require.NoError(t, l.Commit(t.Context(), ledger.Change{Log: []ledger.Entry{entry}}))

	copied := filepath.Join(dir, "copy.db")
	require.NoError(t, l.Backup(t.Context(), copied))
	require.ErrorContains(t, l.Backup(t.Context(), copied), "exists already")
	proof, err := ledger.Verify(t.Context(), copied)
	require.NoError(t, err)
	require.EqualValues(t, 1, proof.Log)

	c, err := ledger.OpenReader(t.Context(), copied)
	require.NoError(t, err)
	defer c.Close()
	want, err := l.Logbook(t.Context(), "", 10)
	require.NoError(t, err)
	got, err := c.Logbook(t.Context(), "", 10)
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, want, got)
}

func TestVerifyTellsADamagedLedger(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "ledger.db")
	l, err := ledger.Open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, l.Close())
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := 4096; i < len(raw); i += 512 {
		copy(raw[i:], "xxxxxxxxxxxxxxxx")
	}
	require.NoError(t, os.WriteFile(path, raw, 0o600))
	_, err = ledger.Verify(t.Context(), path)
	require.ErrorIs(t, err, ledger.ErrDamaged)
}
