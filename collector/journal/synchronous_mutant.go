//go:build mutant_sync

package journal

// synchronous breaks the promise of Commit, for `make mutants`: the log is
// synced at checkpoints only.
var synchronous = pragma{"synchronous", "normal", "1"}
