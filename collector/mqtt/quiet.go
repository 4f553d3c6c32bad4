package mqtt

import (
	"context"
	"log/slog"
)

// quiet passes what a library logs on at debug level, whatever level the
// library chose: what matters is reported by our own checks and lines.
type quiet struct{ slog.Handler }

func quietLogger(log *slog.Logger) *slog.Logger { return slog.New(quiet{log.Handler()}) }

// Enabled implements slog.Handler.
func (q quiet) Enabled(ctx context.Context, _ slog.Level) bool {
	return q.Handler.Enabled(ctx, slog.LevelDebug)
}

// Handle implements slog.Handler.
func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	r.Level = slog.LevelDebug
	return q.Handler.Handle(ctx, r)
}

// WithAttrs implements slog.Handler.
func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }

// WithGroup implements slog.Handler.
func (q quiet) WithGroup(name string) slog.Handler { return quiet{q.Handler.WithGroup(name)} }
