package guide

// Port is a line that a gauge may be connected to. An event "ports" of GET /setup/ports has all of
// them, as JSON in {"ports": [...]}, again whenever something changes.
type Port struct {
	Device string `json:"device"`         // what to configure, and to listen to: the stable name if there is one
	Node   string `json:"node,omitempty"` // the device file that it is now, such as /dev/ttyUSB0
	Name   string `json:"name"`           // what the adapter calls itself, or the last part of the device
	About  string `json:"about"`          // what it is, a sentence
	Keys   bool   `json:"keys,omitempty"` // it types, such as a scanner or a gauge that acts as a keyboard
	New    bool   `json:"new,omitempty"`  // it was plugged in while the page looked on
	// Station is the station that uses it, "" for none.
	Station string `json:"station,omitempty"`
	// Why says why it can't be listened to now, and what to do: it is in use by another program, which
	// is named, or this program may not open it. It is "" if nothing hinders.
	Why string `json:"why,omitempty"`
}
