package publish

import (
	"slices"
	"time"

	"fairbore/daemon/event"
)

// The last levels of the topics.
const (
	LeafLive    = "live"
	LeafReading = "reading"
	LeafEvent   = "event"
	LeafBore    = "bore"
	LeafAlive   = "alive"
	LeafDo      = "do"
	LeafDone    = "done"
	LeafHead    = "head" // below the id of the journal, not below a station
)

// Alive says whether a daemon, or one of its stations, is there. It is retained.
type Alive struct {
	Daemon  string `json:"daemon"` // level of the topic with the daemon's last will
	State   string `json:"state"`  // online or offline
	Why     string `json:"why,omitempty"`
	Journal string `json:"journal,omitempty"`
	Version string `json:"version,omitempty"`
	// Simulated says that what the station measures is simulated; the daemon's own, that all its
	// stations are.
	Simulated bool `json:"simulated,omitempty"`
	// At is when this was said; in a last will, when the connection was made.
	At time.Time `json:"at"`
	// Stations are the stations that the daemon serves. Only the daemon's own message has them.
	Stations []string `json:"stations,omitempty"`
}

// The values of Alive.State.
const (
	Online  = "online"
	Offline = "offline"
)

// The values of Alive.Why.
const (
	Stopped = "stopped"
	CutOff  = "connection lost" // the last will
)

// Topic returns the topic of a station's or daemon's messages of one kind.
func Topic(site, station, leaf string) string {
	return "fairbore/1/" + site + "/" + station + "/" + leaf
}

// LeafOf returns the last level of the topic for a kind of record.
func LeafOf(k event.Kind) string {
	if k == event.Taken {
		return LeafReading
	}
	return LeafEvent
}

// daemonLevel returns the level of the topic with the last will.
func (c *Config) daemonLevel() string {
	if len(c.Stations) == 1 {
		return c.Stations[0]
	}
	return c.ClientID
}

// daemonAlive returns the message for the topic with the last will.
func (c *Config) daemonAlive(state, why string, at time.Time) Alive {
	a := c.stationAlive("", state, why, at)
	a.Stations, a.Simulated = c.Stations, len(c.Stations) > 0 && len(c.Simulated) == len(c.Stations)
	return a
}

func (c *Config) stationAlive(station, state, why string, at time.Time) Alive {
	return Alive{Daemon: c.daemonLevel(), State: state, Why: why, Journal: c.Journal, Version: c.Version, Simulated: slices.Contains(c.Simulated, station), At: at}
}
