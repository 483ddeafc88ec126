package broker

import (
	"context"
	"log/slog"

	"github.com/rs/zerolog"
)

// quietLog passes the library's warnings to our log at debug level, without the packets attached to
// them, which may contain passwords.
func quietLog(log zerolog.Logger) *slog.Logger { return slog.New(quiet{log}) }

type quiet struct{ log zerolog.Logger }

// Enabled passes warnings and errors.
func (q quiet) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelWarn }

// Handle writes the message with its error, client and listener.
func (q quiet) Handle(_ context.Context, r slog.Record) error {
	e := q.log.Debug()
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case "error", "client", "listener":
			e = e.Str(a.Key, a.Value.String())
		}
		return true
	})
	e.Msg("broker: " + r.Message)
	return nil
}

// WithAttrs ignores the attributes; those of the message are enough.
func (q quiet) WithAttrs([]slog.Attr) slog.Handler { return q }

// WithGroup ignores groups.
func (q quiet) WithGroup(string) slog.Handler { return q }
