package picture

// Role is what a line, an area or a text stands for.
type Role uint8

// The roles. A drawing can be understood without their colours.
const (
	Paper   Role = iota // background that covers what is below
	Metal               // area of the part
	Hatch               // hatching of the part
	Stock               // metal that is still to come off
	Grain               // hatching of Stock
	Wall                // the wall at its tightest
	Wide                // the wall at its widest
	Unknown             // a wall that was not gauged
	Ghost               // wall of the round before
	Doubt               // uncertainty, as a thickness
	Channel             // area between the limits
	Limit               // low and high limit
	Target
	Beyond // area past the high limit
	Cross  // hatching of Beyond
	Axis
	Frame   // axes of a chart, edges of a cell
	Cell    // a reading's cell
	Past    // a cell or mark that does not count: void, stale, skipped
	Next    // what the operator is to do next
	Tip     // the gauge's tips, live
	Strong  // text
	Soft    // text beside
	LimitAs // text of a limit
	NextAs  // text of what is next
	PastAs  // text of what does not count
	Mark    // a point in a chart
	Alarm   // a point in a chart that is out
	Bar     // of a chart
	Beam    // a bar of another kind, darker
	Ahead   // what is predicted
	Struck  // a void reading
	Doubted // a reading that may be of another place
)

// Style is the look of a role on white paper. Colours are 0xRRGGBB, or -1 for none.
type Style struct {
	Name         string
	Stroke, Fill int
	Width        float64
	Dash         []float64
	Bold         bool
}

// roles has the style of each role, by number. What differs in colour also differs in grey: any two
// roles that may touch differ in luminance, line or hatching.
var roles = [...]Style{
	Paper:   {"paper", -1, 0xffffff, 0, nil, false},
	Metal:   {"metal", -1, 0xdfe4e6, 0, nil, false},
	Hatch:   {"hatch", 0x9aa5ab, -1, 1.2, nil, false},
	Stock:   {"stock", -1, 0xf0c878, 0, nil, false},
	Grain:   {"grain", 0xa87414, -1, 1.2, nil, false},
	Wall:    {"wall", 0x14191c, -1, 3.5, nil, false},
	Wide:    {"wide", 0x14191c, -1, 1.2, nil, false},
	Unknown: {"unknown", 0x14191c, -1, 1.6, []float64{3, 5}, false},
	Ghost:   {"ghost", 0x5c6970, -1, 1.5, []float64{2, 6}, false},
	Doubt:   {"doubt", -1, 0xc3ccd1, 0, nil, false},
	Channel: {"channel", -1, 0xd5ebe2, 0, nil, false},
	Limit:   {"limit", 0x1f7a5c, -1, 2, nil, false},
	Target:  {"target", 0x1f7a5c, -1, 1.5, []float64{14, 5, 3, 5}, false},
	Beyond:  {"beyond", -1, 0xf3c4b8, 0, nil, false},
	Cross:   {"cross", 0xb3261e, -1, 1.6, nil, false},
	Axis:    {"axis", 0x8b979d, -1, 1.2, []float64{22, 5, 4, 5}, false},
	Frame:   {"frame", 0x8b979d, -1, 1.2, nil, false},
	Cell:    {"cell", 0x5c6970, 0xffffff, 1.4, nil, false},
	Past:    {"past", 0x5c6970, 0xffffff, 1.4, []float64{4, 4}, false},
	Next:    {"next", 0x0b5cad, 0xe3effb, 3.5, nil, false},
	Tip:     {"tip", 0x0b5cad, 0x0b5cad, 1.5, nil, false},
	Strong:  {"strong", -1, 0x14191c, 0, nil, true},
	Soft:    {"soft", -1, 0x505c63, 0, nil, false},
	LimitAs: {"limitas", -1, 0x17684d, 0, nil, false},
	NextAs:  {"nextas", -1, 0x0b4f96, 0, nil, true},
	PastAs:  {"pastas", -1, 0x505c63, 0, nil, false},
	Mark:    {"mark", 0x14191c, 0x14191c, 1.5, nil, false},
	Alarm:   {"alarm", 0xb3261e, 0xffffff, 3, nil, false},
	Bar:     {"bar", 0x5c6970, 0xc9d2d6, 1, nil, false},
	Beam:    {"beam", 0x5c6970, 0x93a0a6, 1, nil, false},
	Ahead:   {"ahead", 0x0b5cad, 0xd3e5f7, 1.4, []float64{5, 4}, false},
	Struck:  {"struck", 0x5c6970, -1, 1.6, nil, false},
	Doubted: {"doubted", 0x8a5a00, 0xffe9b0, 3, []float64{7, 4}, false},
}

// Style returns the look of the role on white paper.
func (r Role) Style() Style { return roles[min(int(r), len(roles)-1)] }
