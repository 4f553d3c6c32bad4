//go:build !mutant_sync

package journal

// synchronous has each commit synced: NORMAL may lose the last ones with the
// power.
var synchronous = pragma{"synchronous", "full", "2"}
