package guide

// Contacts are the contacts of a port: an event "contacts" of GET /setup/contacts?station=NAME, or
// ?port=DEVICE for a port that no station uses, as JSON, again whenever something changes.
type Contacts struct {
	Port  string    `json:"port"`
	Lines []Contact `json:"lines"`         // cts, dsr, dcd, ri; none if the port has no contacts
	Says  string    `json:"says"`          // what to do now, a sentence
	Why   string    `json:"why,omitempty"` // why they can't be seen, and what to do
	// Last is the line that changed last, "" for none: the one that was pressed.
	Last string `json:"last,omitempty"`
}

// Contact is one of the lines.
type Contact struct {
	Line string `json:"line"` // as the configuration has it: cts, dsr, dcd or ri
	On   bool   `json:"on"`
	// Changes counts how often it went on or off while the page looked on.
	Changes int    `json:"changes"`
	Used    string `json:"used,omitempty"` // "pedal" or "spindle", as the station is set up
}
