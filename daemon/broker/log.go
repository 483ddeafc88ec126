package broker

import (
	"context"
	"log/slog"

	"github.com/rs/zerolog"
)

// quietLog gives the library's warnings to our log at debug level, without the
// packets that it attaches: they may hold passwords.
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

// WithAttrs leaves out attributes set beforehand; those of the message tell enough.
func (q quiet) WithAttrs([]slog.Attr) slog.Handler { return q }

// WithGroup leaves out groups.
func (q quiet) WithGroup(string) slog.Handler { return q }
