package guide

// Wanted begins listening: the body of POST /setup/listen.
type Wanted struct {
	Port string `json:"port"`           // a device of [Port], or tcp://HOST:PORT, rfc2217://HOST:PORT
	Baud int    `json:"baud,omitempty"` // 0: the usual speeds are tried
	Ask  bool   `json:"ask,omitempty"`  // requests may be sent; otherwise nothing is ever sent
}

// The states of listening.
const (
	Off       = ""          // nobody listens
	Listening = "listening" // the port is open, and nothing is sent
	Asking    = "asking"    // the port is open, and requests are sent
	Lost      = "lost"      // the port can't be opened or was unplugged; it goes on when it is back
	Ended     = "ended"     // by a person, for want of a browser, after the longest time, or since it can't go on
)

// The ways in which a gauge sends.
const (
	Button    = "button"    // a frame a press
	Streaming = "streaming" // by itself
	Asked     = "asked"     // when it is asked
)

// Hearing is what is known of the gauge that is listened to: an event "hearing" of GET
// /setup/listen?gauge=NAME&station=NAME, as JSON, again whenever something is new.
type Hearing struct {
	State string `json:"state"`
	Port  string `json:"port,omitempty"`
	Line  string `json:"line,omitempty"` // the setting that is tried, "9600 8N1"; "" on a network
	Asks  string `json:"asks,omitempty"` // the request that is tried
	Found bool   `json:"found"`          // frames come whole: it stays with this setting
	Says  string `json:"says"`           // what it does and waits for, a sentence
	Why   string `json:"why,omitempty"`  // why the port is lost or listening ended, and what to do

	Frames []Frame `json:"frames,omitempty"` // the newest, newest last; at most 12
	Count  int     `json:"count"`            // whole frames that came
	Kind   string  `json:"kind,omitempty"`   // Button, Streaming or Asked; "" if it can't be told yet
	Value  string  `json:"value,omitempty"`  // what the newest frame seems to say, "-0.0044"
	Unit   string  `json:"unit,omitempty"`   // mm or in; "" if no frame and no display has said it

	Shown  []Shown  `json:"shown,omitempty"`  // what the person typed, in order
	Needs  []string `json:"needs,omitempty"`  // what can't be told yet, and what is needed for it
	Unseen []string `json:"unseen,omitempty"` // what was not seen; it does no harm that it wasn't
	Sure   bool     `json:"sure"`             // nothing is needed any more
	// Changes are the gauge and the station as the configuration has them, by the names that were
	// asked for. There are none until Sure.
	Changes []Change `json:"changes,omitempty"`
}

// Frame is something that came, or was sent.
type Frame struct {
	At    float64 `json:"at"`              // seconds since listening began
	Text  string  `json:"text"`            // with control characters as <CR>
	Means string  `json:"means,omitempty"` // "-0.0044 mm", "" if it can't be told
	Sent  bool    `json:"sent,omitempty"`
}

// Shown is what the gauge's own display showed, and what came of it: also the answer to POST
// /setup/listen/shown, whose body is {"text": "-0.0044 mm"}. The text "undo" takes the last one back.
type Shown struct {
	Text   string `json:"text"`
	Agrees *bool  `json:"agrees"` // null: it can't be told yet
	Says   string `json:"says"`   // in plain words
}

// Change sets what stands at a key of the configuration.
type Change struct {
	Key   []string `json:"key"`
	Value any      `json:"value"`
}
