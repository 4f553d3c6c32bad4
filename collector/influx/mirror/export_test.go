package mirror

import "context"

// SyncLazily is what Run does again and again.
func (m *Mirror) SyncLazily(ctx context.Context) (Synced, error) { return m.sync(ctx, true) }
