// Package view says what a person reads on the pages: the state of a station, its events, what the
// gauge shows, and the record of a part, in the reader's language and units. The pages only lay it
// out.
package view

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Tone is the meaning of a colour at a machine (IEC 60073). Each tone has a word and a shape of its
// own too.
type Tone string

const (
	Safe   Tone = "safe"   // green, a tick in a circle
	Danger Tone = "danger" // red, a cross in an octagon
	Watch  Tone = "watch"  // yellow, a triangle
	Act    Tone = "act"    // blue, a hand on a disc: the operator must act
	Stock  Tone = "stock"  // no colour, an arrow: hone on
	None   Tone = "none"   // no colour, a dashed square: nothing is known
)

// Station is what a person reads on the page of a station, in the person's language and units. It
// has all words and figures, so that the page only has to lay them out.
type Station struct {
	work
	headline
	counsel
	signs
	choices
	Buttons   []button   `json:"buttons,omitempty"` // what can be done now, the first step of the advice first; at most 3
	Simulated bool       `json:"simulated,omitempty"`
	Mastered  bool       `json:"mastered"`
	Reading   bool       `json:"reading_ring"` // a ring is being read
	Finished  bool       `json:"finished"`
	Result    *result    `json:"result,omitempty"` // of the part in hand
	Study     *studyView `json:"study,omitempty"`
	Undo      *undo      `json:"undo,omitempty"`
}

// work is what is on the machine.
type work struct {
	Job      string `json:"job"`
	JobTitle string `json:"title"`
	Part     string `json:"part"`
	Round    string `json:"round"`
}

// headline is the state of a station, and what is shown largest.
type headline struct {
	Is    state.Situation `json:"is"` // the situation that the words below describe
	Tone  Tone            `json:"tone"`
	State string          `json:"state"`          // the word of the state
	Same  bool            `json:"same,omitempty"` // Big says the same as State
	Away  bool            `json:"away,omitempty"` // the station is out of reach
	Why   string          `json:"why,omitempty"`

	// Figure is what is left to one limit: to the low one until every place has reached it, then to
	// the high one. If it is empty the words in Big replace it.
	Figure  string `json:"figure,omitempty"`
	AtLeast string `json:"least,omitempty"` // before the figure: a bound while places are missing
	Unit    string `json:"unit,omitempty"`
	Caption string `json:"caption,omitempty"`
	Other   string `json:"other,omitempty"` // the figure in the other unit
	Big     string `json:"big,omitempty"`
	// Room is the figure beside large words: what is left to the high limit at the widest place, or
	// the amount over it. There is none beside Figure.
	Room     string `json:"room,omitempty"`
	RoomWord string `json:"room_word,omitempty"`
	RoomUnit string `json:"room_unit,omitempty"`
	Waiting  string `json:"waiting,omitempty"` // who waits for whom, for the wall
}

// counsel is what to consider doing next, and what to watch out for.
type counsel struct {
	Advice   string   `json:"advice,omitempty"`
	Reason   string   `json:"reason,omitempty"`
	Cautions []string `json:"cautions,omitempty"`
	Turning  bool     `json:"turning,omitempty"` // the spindle turns, as the first caution says
	Next     string   `json:"next,omitempty"`
	Last     string   `json:"last,omitempty"`
	Refused  string   `json:"refused,omitempty"`
}

// signs are the small indicators beside the large one.
type signs struct {
	Master sign `json:"master"`
	Gauge  sign `json:"gauge"`
	Record sign `json:"record"`
}

// sign is a small indicator.
type sign struct {
	Tone Tone   `json:"tone"`
	Text string `json:"text"`
	More string `json:"more,omitempty"` // after the text, where there is room for it
}

// choices are what an action may refer to.
type choices struct {
	Places   []choice `json:"places,omitempty"`
	Readings []choice `json:"readings,omitempty"`
	Voids    []choice `json:"voids,omitempty"`
	Asked    []choice `json:"asked,omitempty"` // readings with an open question
	Sizes    string   `json:"sizes,omitempty"` // the extreme sizes, for the question before a verdict
	// Rings are the rings that are known here, first that of the job, then the nearest in size.
	Rings []ring `json:"rings,omitempty"`
	// NextPart is the serial number that a part gets to which nobody gives one.
	NextPart string `json:"next_part,omitempty"`
	// Strokes or Seconds is the round of honing that is advised, 0 for none.
	Strokes int `json:"strokes,omitempty"`
	Seconds int `json:"seconds,omitempty"`
}

// ring is a ring to read.
type ring struct {
	ID   string `json:"id"`
	Text string `json:"text"`
}

// choice is a place, or a reading, that an action may refer to.
type choice struct {
	Depth analysis.Length `json:"depth_mm"`
	Angle analysis.Angle  `json:"angle_deg"`
	No    int             `json:"no,omitempty"`
	Text  string          `json:"text"`
}

// result is what another result of the part would supersede.
type result struct {
	Seq  uint64 `json:"seq"`
	Job  string `json:"job"`
	Part string `json:"part"`
	Text string `json:"text"`
}

// undo is what takes the newest action back: a text that names that action, and what is to be asked
// for.
type undo struct {
	At     time.Time       `json:"at"`
	Text   string          `json:"text"`
	Do     string          `json:"do"`
	No     int             `json:"reading,omitempty"`
	Reason string          `json:"reason,omitempty"`
	Place  *analysis.Place `json:"position,omitempty"`
}

// undoFor is how long after an action a person is offered to take it back.
const undoFor = time.Minute

// Undoing offers to take the newest action back, if that was less than a minute before now.
func (v *Station) Undoing(b *state.Bore, now time.Time, f notation.Format) {
	if u := b.Undo; u != nil && now.Sub(u.At) < undoFor {
		v.Undo = &undo{u.At, f.Say(u.What), u.Do, u.No, f.Say(u.Reason), u.Place}
	}
}

// button is an action that makes sense now.
type button struct {
	Do      string `json:"do"`
	Text    string `json:"text"`
	Ring    string `json:"ring,omitempty"` // the ring to read
	Strokes int    `json:"strokes,omitempty"`
	Seconds int    `json:"seconds,omitempty"`
	At      string `json:"at,omitempty"`    // the address of what it fetches, for "paper"
	First   bool   `json:"first,omitempty"` // it is the first step of the advice
	// Once says that the button has all that the action needs, so that one touch does it and nothing
	// is asked. What it does can be left or undone. A result never is: it takes two touches at
	// different places.
	Once bool `json:"once,omitempty"`
}

// mostButtons is how many actions are offered at once.
const mostButtons = 3

func buttonsOf(b *state.Bore, f notation.Format) (out []button) {
	for _, do := range append([]string{b.Now.Do}, b.Now.Also...) {
		if do == "" {
			continue
		}
		x := button{Do: do, Text: f.Text("page.button." + do), First: do == b.Now.Do}
		a := b.Advice
		switch {
		case b.Job != nil && (do == "master" || do == "check"): // another ring is behind More
			x.Ring, x.Once = b.Job.Ring, true
		case do == "undo_round":
			x.Once = true
		case x.First && do == "round" && a != nil && a.Strokes+a.Seconds > 0:
			x.Strokes, x.Seconds, x.Once = a.Strokes, a.Seconds, true
			x.Text = f.Text("page.button.round.strokes", a.Strokes)
			if a.Strokes == 0 {
				x.Text = f.Text("page.button.round.seconds", a.Seconds)
			}
			out = append(out, x)
			x = button{Do: do, Text: f.Text("page.button.round.other")}
		}
		out = append(out, x)
	}
	return out[:min(len(out), mostButtons)]
}

// Papers offers the record of the part in hand once that has its result.
func (v *Station) Papers(b *state.Bore, f notation.Format) {
	if b.Verdict == nil || b.PartSeq == 0 || len(v.Buttons) == 0 || b.Now.Is.AtRing() || b.Now.Is.Studying() {
		return
	}
	at := "/part/" + url.PathEscape(b.Station) + "/" + strconv.FormatUint(b.PartSeq, 10) + "/record.pdf"
	v.Buttons = append(v.Buttons[:min(len(v.Buttons), mostButtons-1)], button{Do: "paper", Text: f.Text("page.button.paper"), At: at})
}

// Of returns the state of a station in words.
func Of(b *state.Bore, f notation.Format) Station {
	v := Station{
		Simulated: b.Simulated,
		work:      workOf(b), headline: headlineOf(b, f), signs: signsOf(b, f), Buttons: buttonsOf(b, f),
		Mastered: b.Master.OK, Reading: b.Now.Is.AtRing(), Finished: b.Verdict != nil, Study: studied(b, f),
	}
	v.Advice, v.Reason = f.Say(b.Now.Sentence), Sentence(f.Say(b.Now.Reason))
	if b.Now.Is == state.NoSignal { // nobody may act on what is old
		return v
	}
	v.cautions(b, f)
	if r := b.Verdict; r != nil && b.VerdictSeq != 0 {
		v.Result = &result{b.VerdictSeq, r.Job, r.Part, f.Text("history.judged", analysis.Say(VerdictWord(r)), r.Reason)}
	}
	if b.Job == nil {
		return v
	}
	v.choices = choicesOf(b, f)
	v.events(b, f)
	return v
}

func workOf(b *state.Bore) (w work) {
	if b.Job != nil {
		w.Job, w.JobTitle = b.Job.ID, JobTitle(b.Job)
	}
	if b.Part != nil {
		w.Part, w.Round = b.Part.Serial, strconv.Itoa(b.Round)
	}
	return w
}

// JobTitle returns the title of a job, "" if it has none but its id, beside which it stands.
func JobTitle(j *analysis.Job) string {
	if j.Title == j.ID {
		return ""
	}
	return j.Title
}

// looks is how a situation looks: its tone, and who waits for whom.
type looks struct {
	tone  Tone
	waits string
	size  bool // its figure is what is left to a limit
	room  bool // what is left to the high limit stands beside its large words
}

// looksOf is the look of each situation.
var looksOf = map[state.Situation]looks{
	state.NoSignal:      {tone: None, waits: "signal"},
	state.NotRecording:  {tone: Watch, waits: "journal"},
	state.GaugeLost:     {tone: Watch, waits: "gauge"},
	state.RockSlowly:    {tone: Act, waits: "ring"},
	state.RockFast:      {tone: Act, waits: "ring"},
	state.CheckRing:     {tone: Act, waits: "ring"},
	state.ReadRing:      {tone: Act, waits: "ring"},
	state.NoJob:         {tone: Act, waits: "job"},
	state.StudyTrial:    {tone: Act, waits: "gauging"},
	state.StudyNext:     {tone: Act, waits: "part"},
	state.InDoubt:       {tone: Watch, waits: "person", room: true},
	state.CheckAfter:    {tone: Act, waits: "check", room: true},
	state.Accepted:      {tone: Safe, waits: "part", room: true},
	state.Rejected:      {tone: Watch, waits: "part", room: true},
	state.NotMastered:   {tone: Act, waits: "mastering"},
	state.RightPosition: {tone: Watch, waits: "person"},
	state.TooWarm:       {tone: Watch, waits: "cooling"},
	state.Measure:       {tone: Act, waits: "gauging"},
	state.MeasureAgain:  {tone: Act, waits: "gauging"},
	state.MeasureRest:   {tone: Act, waits: "gauging", size: true},
	state.OverSize:      {tone: Danger, waits: "person", room: true},
	state.InSize:        {tone: Safe, waits: "accepting", room: true},
	state.OutOfForm:     {tone: Watch, waits: "person", room: true},
	state.StockToGo:     {tone: Stock, size: true},
	state.TooClose:      {tone: Watch, waits: "gauging", size: true},
	state.CannotJudge:   {tone: Watch, waits: "person"},
}

// headlineOf returns the state, and what is shown largest.
func headlineOf(b *state.Bore, f notation.Format) headline {
	l, known := looksOf[b.Now.Is]
	if !known { // a broker may tell of a situation that this build does not know
		return headline{Is: b.Now.Is, Tone: None, State: f.Text("state." + string(b.State)), Why: f.Say(b.Why)}
	}
	is := string(b.Now.Is)
	h := headline{Is: b.Now.Is, Tone: l.tone, State: f.Text("face.state." + is), Away: b.Now.Is == state.NoSignal, Why: f.Say(b.Why)}
	if l.waits != "" {
		h.Waiting = f.Text("face.waits." + l.waits)
	}
	if l.size && b.Sizes != nil {
		h.left(b, f)
		return h
	}
	h.Big = f.Say(bigOf(b))
	if v := b.Verdict; b.Now.Is == state.Rejected && v != nil { // what becomes of the part, by its own word
		h.State = f.Text(VerdictWord(v))
		h.Big = Sentence(h.State)
	}
	h.Same = strings.EqualFold(h.State, h.Big)
	switch z := b.Sizes; {
	case z == nil:
	case l.room:
		h.room(b, f)
		h.Caption = f.Text("face.caption.extremes", analysis.Size(z.Smallest.Size), analysis.Size(z.Largest.Size))
	case b.Now.Is == state.MeasureAgain:
		h.Caption = f.Text("face.caption.before_honing", analysis.Size(z.Smallest.Size), analysis.Size(z.Largest.Size))
	case b.Now.Is == state.TooWarm:
		h.Caption = f.Text("face.caption.reads_now", analysis.Size(z.Smallest.Size), analysis.Size(z.Largest.Size))
	}
	return h
}

// bigOf returns the large words of a situation. While a ring is read they count the readings.
func bigOf(b *state.Bore) analysis.Phrase {
	switch is, m := b.Now.Is, b.Master.Running; {
	case m == nil || !is.AtRing():
		return analysis.Say("face.big." + string(is))
	case m.Speeds:
		_, no, of := m.AtSpeed()
		return analysis.Say("face.big."+string(is), no, of)
	default:
		return analysis.Say("face.big."+string(is), min(len(m.Raw)+1, m.Of), m.Of)
	}
}

// left says how much is left: to the low limit until every place has reached it, then to the high
// one.
func (h *headline) left(b *state.Bore, f notation.Format) {
	left, unit, at := b.ToLow, "face.unit.left_to_low", b.Sizes.Smallest.Place
	switch {
	case b.ToLow > 0 && !b.Complete:
		h.AtLeast = "≥" // places that are not measured yet may be tighter
	case b.ToLow > 0:
	case b.Room < 0:
		left, unit, at = -b.Room, "face.unit.over", b.Sizes.Largest.Place
	default:
		left, unit, at = b.Room, "face.unit.left_to_high", b.Sizes.Largest.Place
		if !b.Complete {
			h.AtLeast = "≤" // or wider
		}
	}
	h.Figure, h.Unit, h.Other = f.Some(left), f.Text(unit, f.SmallUnit()), f.Other(left)
	h.Caption = f.Text("face.caption.at", at)
	if !b.Complete {
		h.Caption = f.Text("face.caption.so_far", analysis.Say("face.caption.at", at))
	}
}

// room says what is left to the high limit beside large words.
func (h *headline) room(b *state.Bore, f notation.Format) {
	largest := b.Sizes.Largest
	h.RoomWord, h.Room, h.RoomUnit = f.Text("face.room.left"), f.Small(b.Room), f.Text("face.room.to_high", f.SmallUnit(), largest.Place)
	if b.Room < 0 {
		h.RoomWord, h.Room, h.RoomUnit = f.Text("face.room.over"), f.Some(-b.Room), f.Text("face.room.over_at", f.SmallUnit(), largest.Place)
	}
}

// cautions returns what to watch out for, the worst first.
func (v *Station) cautions(b *state.Bore, f notation.Format) {
	for _, c := range b.Cautions {
		if b.Spindle && c.Code == advise.StopSpindle { // the line before says so
			continue
		}
		v.Cautions = append(v.Cautions, f.Say(c))
	}
	if b.Recording && !b.Warning.IsZero() {
		v.Cautions = slices.Insert(v.Cautions, 0, Sentence(f.Say(b.Warning)))
	}
	if v.Turning = b.Spindle; v.Turning {
		v.Cautions = slices.Insert(v.Cautions, 0, f.Text("face.caution.turning"))
	}
}

// Offer adds the rings that may be read at the station, so that nobody has to type the name of one.
// The ring of the job is the first, then come those nearest to its size.
func (v *Station) Offer(b *state.Bore, rings []*analysis.Ring, f notation.Format) {
	far := func(r *analysis.Ring) analysis.Length {
		switch {
		case b.Job == nil:
			return 0
		case r.ID == b.Job.Ring:
			return -1
		}
		return max(r.Size-b.Job.Nominal, b.Job.Nominal-r.Size)
	}
	rings = slices.Clone(rings)
	slices.SortStableFunc(rings, func(a, b *analysis.Ring) int { return cmp.Compare(far(a), far(b)) })
	for _, r := range rings {
		text := "face.ring"
		if far(r) < 0 {
			text = "face.ring.job"
		}
		v.Rings = append(v.Rings, ring{r.ID, f.Text(text, r.ID, analysis.Size(r.Size))})
	}
}

// choicesOf returns the places and readings that an action may refer to.
func choicesOf(b *state.Bore, f notation.Format) choices {
	c := choices{NextPart: event.Serial(1)}
	if b.Part != nil {
		c.NextPart = event.Serial(b.Part.Count + 1)
	}
	if a := b.Advice; a != nil && a.Kind.Honing() {
		c.Strokes, c.Seconds = a.Strokes, a.Seconds
	}
	for _, p := range b.Places {
		text := f.Place(p.Place) + " · " + f.Text("place."+p.State)
		if p.Deviation != nil {
			text += " " + f.Signed(*p.Deviation)
		}
		c.Places = append(c.Places, choice{p.Depth, p.Angle, p.No, text})
		if p.State != "asked" && p.State != "taken" {
			continue
		}
		reading := choice{p.Depth, p.Angle, p.No, f.Text("face.reading", p.No, f.Signed(*p.Deviation)+" "+f.SmallUnit(), p.Place)}
		if p.State == "asked" {
			c.Asked = append(c.Asked, reading)
		} else {
			c.Readings = append(c.Readings, reading)
		}
	}
	for _, r := range b.Voids {
		c.Voids = append(c.Voids, choice{r.Depth, r.Angle, r.No, f.Text("face.void", r.No, r.Place, r.Reason, analysis.Size(r.Size))})
	}
	if z := b.Sizes; z != nil && !b.Now.Is.Studying() { // in a study nobody may go by a size
		c.Sizes = Sentence(f.Text("face.sizes", analysis.Say("state."+string(b.State)), analysis.Size(z.Smallest.Size), z.Smallest.Place, analysis.Size(z.Largest.Size), z.Largest.Place))
	}
	return c
}

// events says what is next and what came last.
func (v *Station) events(b *state.Bore, f notation.Format) {
	if b.Next != nil {
		v.Next = f.Place(*b.Next)
	}
	if l := b.Last; l != nil {
		v.Last = f.Text("face.last", l.No, analysis.Size(l.Size), l.Place)
	}
	if x := b.Reread; x != nil && (b.Last == nil || x.At.After(b.Last.At)) {
		v.Last = f.Text("face.reread."+reread(x), x.Ring.ID, analysis.Size(x.Size), f.Signed(x.Error)+" "+f.SmallUnit())
	}
	if b.Refused != nil {
		v.Refused = f.Say(b.Refused.Reason)
	}
}

// reread returns the code for how the ring that set the zero read as a part.
func reread(x *event.Rereading) string {
	switch {
	case x.Agrees:
		return "agrees"
	case x.Good:
		return "check"
	}
	return "off"
}

// signsOf returns the indicators of gauge, zero and record.
func signsOf(b *state.Bore, f notation.Format) (s signs) {
	if b.Now.Is == state.NoSignal { // gauge and record may be working there
		return signs{sign{Tone: None, Text: f.Text("away.master")}, sign{Tone: None, Text: f.Text("away.gauge")}, sign{Tone: None, Text: f.Text("away.record")}}
	}
	switch m := &b.Master; {
	case m.OK && m.Gain != 0:
		s.Master = sign{Safe, f.Text("face.sign.ring", m.Ring), f.Text("face.sign.since_gain", m.Since, analysis.Number{Value: m.Gain, Places: 4})}
	case m.OK:
		s.Master = sign{Safe, f.Text("face.sign.ring", m.Ring), f.Text("face.sign.since", m.Since)}
	default:
		s.Master = sign{Tone: Act, Text: f.Text("face.sign.not_mastered")}
	}
	switch g := b.Gauge; {
	case g == nil:
		s.Gauge = sign{Tone: None, Text: f.Text("face.sign.no_gauge")}
	case g.Lost:
		s.Gauge = sign{Tone: Watch, Text: f.Text("face.sign.gauge_lost", g.Name)}
	default:
		s.Gauge = sign{Tone: Safe, Text: f.Text("face.sign.gauge", g.Name), More: assumed(b, f)}
	}
	switch {
	case !b.Recording:
		s.Record = sign{Tone: Danger, Text: f.Text("face.sign.not_recording")}
	case !b.Warning.IsZero():
		s.Record = sign{Tone: Watch, Text: f.Text("face.sign.record_warning")}
	default:
		s.Record = sign{Tone: Safe, Text: f.Text("face.sign.recording")}
	}
	return s
}

// assumed says what the uncertainty rests on that nobody stated or measured, "" if nothing is.
func assumed(b *state.Bore, f notation.Format) string {
	if what := event.Assuming(b.Assumes); !what.IsZero() {
		return f.Text("face.sign.assumed", what)
	}
	return ""
}

// Sentence begins a line with a capital letter. An empty one stays empty.
func Sentence(s string) string {
	if s == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
