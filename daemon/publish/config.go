package publish

import (
	"errors"
	"fmt"
	"slices"

	"fairbore/daemon/mqtt"
)

// DefaultWindow is how many records may be unacknowledged, and so how many may be repeated after a
// loss. At full load 512 gave 15 % more than 128, and 1000 no more than 512.
const DefaultWindow = 512

// MaxPayload is the largest message that is sent, in bytes. Brokers disconnect a client that sends
// more than they accept.
const MaxPayload = 200_000

// maxCommand is the largest command that is accepted, in bytes.
const maxCommand = 16_384

// Config says where and as whom to publish. The client id is also the daemon's level in the topics.
type Config struct {
	mqtt.Config
	Local     Local // the broker in this process, used instead of a connection; nil: none
	Site      string
	Stations  []string
	Simulated []string // the stations whose instruments are played or are recordings, told in alive
	Journal   string   // id of the journal, told in alive
	Version   string   // of the program, told in alive
	Commands  bool     // accept commands from the broker
	Window    int      // records without acknowledgement at most, 0: DefaultWindow
}

// check reports every fault of the configuration.
func (c *Config) check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if c.Local == nil {
		faults = append(faults, c.Config.Check())
	}
	level := func(what, s string) { faults = append(faults, CheckLevel(what, s)) }
	level("client id", c.ClientID)
	level("site", c.Site)
	if len(c.Stations) == 0 {
		bad("stations: give at least one")
	}
	for i, s := range c.Stations {
		level("station", s)
		if slices.Contains(c.Stations[:i], s) {
			bad("station %q: named twice", s)
		}
	}
	if len(c.Stations) > 1 && slices.Contains(c.Stations, c.ClientID) {
		bad("client id %q: is also a station; choose another, both are levels of the topics", c.ClientID)
	}
	if c.Window < 0 || c.Window > 1000 {
		bad("window %d is out of range: give 1 to 1000, or 0 for %d", c.Window, DefaultWindow)
	}
	return errors.Join(faults...)
}

// Level reports whether s can be a level of a topic: 1 to 64 of A-Z a-z 0-9 _ -, which have no
// special meaning to any broker or bridge.
func Level(s string) bool {
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 64
}

// CheckLevel returns an error if something can't be a level of a topic.
func CheckLevel(what, s string) error {
	if Level(s) {
		return nil
	}
	return fmt.Errorf("%s %q is not valid: give 1 to 64 of A-Z a-z 0-9 _ -, it becomes a level of the topics", what, s)
}
