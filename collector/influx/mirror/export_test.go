package mirror

import "context"

// Entries bounds how many entries of the change feed are dealt with at a time.
func (m *Mirror) Entries(most int) { m.entriesMost = most }

// SyncLazily is what Run does again and again.
func (m *Mirror) SyncLazily(ctx context.Context) (Synced, error) { return m.sync(ctx, true) }
