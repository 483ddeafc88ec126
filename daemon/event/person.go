package event

import "time"

// Working says how somebody became the person of the station, [Event.Person]. If that is empty,
// nobody works there any more, and the rest is zero.
type Working struct {
	By    Proof     `json:"by,omitempty"`
	Until time.Time `json:"until,omitzero"` // who works here is asked again then
	// Readings is how many readings of the part in hand the person says to have taken, of those that
	// were taken while nobody was named: all of them. Their events stay as they are.
	Readings int `json:"readings,omitempty"`
}

// Proof is how a person became known.
type Proof string

// The proofs.
const (
	ByList  Proof = "list"  // chosen from the list; nothing was proved
	ByPIN   Proof = "pin"   // the person typed the PIN
	ByBadge Proof = "badge" // the person's badge was scanned
)

// Right is what a person may do. Each stands for itself: none contains another.
type Right string

// The rights. Everybody may look.
const (
	MayGauge  Right = "gauge"  // measure, master, begin rounds, void, note
	MayAccept Right = "accept" // decide on a part
	MaySetUp  Right = "set_up" // choose and enter jobs, change the configuration
	MayLook   Right = "look"   // nothing but look
)
