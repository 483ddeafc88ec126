// Package view says what a person reads on the pages: the state of a station, its events, what the
// gauge shows, and the record of a part, in the reader's language and units. The pages only lay it
// out.
package view

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
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
	Study     *studyView `json:"study,omitempty"`
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
	is    situation // the situation that the words below describe
	Tone  Tone      `json:"tone"`
	State string    `json:"state"`          // the word of the state
	Same  bool      `json:"same,omitempty"` // Big says the same as State
	Away  bool      `json:"away,omitempty"` // the station is out of reach
	Why   string    `json:"why,omitempty"`

	// Figure is the largest figure. If it is empty the words in Big replace it.
	Figure  string `json:"figure,omitempty"`
	AtLeast string `json:"least,omitempty"` // before the figure: ≥ while places are missing
	Unit    string `json:"unit,omitempty"`
	Caption string `json:"caption,omitempty"`
	Other   string `json:"other,omitempty"` // the figure in the other unit
	Big     string `json:"big,omitempty"`
	// Room is the second figure: up to the high limit at the widest place, or the amount over it.
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
	Due      string   `json:"due,omitempty"`     // the action that is due now, "" if none is
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
	Ring     string   `json:"ring,omitempty"`
	Sizes    string   `json:"sizes,omitempty"` // the extreme sizes, for the question before a verdict
}

// choice is a place, or a reading, that an action may refer to.
type choice struct {
	Depth analysis.Length `json:"depth_mm"`
	Angle analysis.Angle  `json:"angle_deg"`
	No    int             `json:"no,omitempty"`
	Text  string          `json:"text"`
}

// button is an action that makes sense now, with the word that the action's own button has.
type button struct {
	Do    string `json:"do"`
	Text  string `json:"text"`
	Ring  string `json:"ring,omitempty"`  // the ring to read
	First bool   `json:"first,omitempty"` // it is the first step of the advice
}

func buttonsOf(b *state.Bore, f notation.Format) (out []button) {
	for _, do := range append([]string{b.Now.Do}, b.Now.Also...) {
		if do == "" || len(out) == 3 {
			continue
		}
		x := button{Do: do, Text: f.Text("page.button." + do), First: do == b.Now.Do}
		if b.Job != nil && (do == "master" || do == "check") {
			x.Ring = b.Job.Ring
		}
		out = append(out, x)
	}
	return out
}

// Of returns the state of a station in words.
func Of(b *state.Bore, f notation.Format) Station {
	v := Station{Simulated: b.Simulated, work: workOf(b), headline: headlineOf(b, f), Mastered: b.Master.OK, Reading: b.Master.Running != nil, Finished: b.Verdict != nil}
	v.signs = signsOf(b, f)
	v.cautions(b, f)
	v.Due = due(b, v.is)
	v.Buttons = buttonsOf(b, f)
	if b.Job == nil {
		v.Advice = f.Text("face.advice.no_job")
		return v
	}
	v.choices = choicesOf(b, f)
	v.events(b, f)
	v.advise(b, f)
	v.Reason = Sentence(v.Reason)
	v.studied(b, f)
	return v
}

func workOf(b *state.Bore) (w work) {
	if b.Job != nil {
		w.Job, w.JobTitle = b.Job.ID, b.Job.Title
	}
	if b.Part != nil {
		w.Part, w.Round = b.Part.Serial, strconv.Itoa(b.Round)
	}
	return w
}

// Away returns the view of a station that is out of reach: what was on the machine, and since when
// nothing is known. The gauge and the record may be working there.
func Away(b *state.Bore, f notation.Format, why analysis.Phrase) Station {
	return Station{
		work:     workOf(b),
		headline: headline{Tone: None, State: f.Text("away.state"), Same: true, Away: true, Big: f.Text("away.big"), Why: f.Say(why), Waiting: f.Text("face.waits.signal")},
		counsel:  counsel{Advice: f.Text("away.advice"), Reason: f.Say(why)},
		signs:    signs{sign{Tone: None, Text: f.Text("away.master")}, sign{Tone: None, Text: f.Text("away.gauge")}, sign{Tone: None, Text: f.Text("away.record")}},
	}
}

// situation is what matters most at a station.
type situation string

// The situations. What is not known comes before what is.
const (
	noJob        situation = "no_job"
	inDoubt      situation = "in_doubt" // a verdict whose zero failed a check later
	accepted     situation = "accepted"
	laidAside    situation = "laid_aside"
	notRecording situation = "not_recording"
	gaugeLost    situation = "gauge_lost"
	rockSlowly   situation = "rock_slowly"
	rockFast     situation = "rock_fast"
	checkRing    situation = "check_ring"
	readRing     situation = "read_ring"
	notMastered  situation = "not_mastered"
	studyTrial   situation = "study_trial" // a trial of a gauge study is to be gauged
	studyNext    situation = "study_next"  // its next part is to be taken
	overSize     situation = "over"
	gaugeIt      situation = "gauge_it"
	gaugeAgain   situation = "gauge_again" // honed since the last gauging
	tooWarm      situation = "too_warm"    // a warm bore reads large, so a bore in size now will not be in size
	inSize       situation = "in_size"
	outOfForm    situation = "out_of_form"
	sized        situation = "sized" // a figure says how far the bore is from size
	rightPlace   situation = "right_place"
)

// looksOf is the look of each situation: its tone, who waits for whom, and the action that is due
// in it whatever else is known.
var looksOf = map[situation]struct {
	tone  Tone
	waits string
	due   string
	own   bool // it has a word of its own for the state of the station
	same  bool // that word is also its large text
}{
	noJob:        {tone: Act, waits: "job", due: "job"},
	inDoubt:      {tone: Watch, waits: "person", due: "part", own: true},
	accepted:     {tone: Safe, waits: "part", due: "part"},
	laidAside:    {tone: Watch, waits: "part", due: "part", own: true, same: true},
	notRecording: {tone: Watch, waits: "journal"},
	gaugeLost:    {tone: Watch, waits: "gauge"},
	rockSlowly:   {tone: Act, waits: "ring"},
	rockFast:     {tone: Act, waits: "ring"},
	checkRing:    {tone: Act, waits: "ring"},
	readRing:     {tone: Act, waits: "ring"},
	notMastered:  {tone: Act, waits: "mastering", due: "master", same: true},
	studyTrial:   {tone: Act, waits: "gauging", own: true},
	studyNext:    {tone: Act, waits: "part", due: "study", own: true},
	overSize:     {tone: Danger, waits: "person", due: "reject", same: true},
	gaugeIt:      {tone: Act, waits: "gauging"},
	gaugeAgain:   {tone: Act, waits: "gauging"},
	tooWarm:      {tone: Watch, waits: "cooling", own: true},
	inSize:       {tone: Safe, waits: "accepting", same: true},
	outOfForm:    {tone: Watch, waits: "person"},
	rightPlace:   {tone: Watch, own: true, same: true},
}

// situationOf decides what matters most. What is not known comes before what is.
func situationOf(b *state.Bore) situation {
	switch {
	case b.Job == nil:
		return noJob
	case b.Verdict != nil && b.Master.Doubted:
		return inDoubt
	case b.Verdict != nil && b.Verdict.Accepted:
		return accepted
	case b.Verdict != nil:
		return laidAside
	case !b.Recording:
		return notRecording
	case lost(b):
		return gaugeLost
	case b.Master.Running != nil:
		return atRing(b.Master.Running)
	case !b.Master.OK:
		return notMastered
	case gauging(b) && b.Study.Taking:
		return studyTrial
	case gauging(b):
		return studyNext
	}
	return bySize(b)
}

func lost(b *state.Bore) bool { return b.Gauge != nil && b.Gauge.Lost }

func atRing(m *event.Master) situation {
	switch speed, _, _ := m.AtSpeed(); {
	case m.Speeds && speed == "fast":
		return rockFast
	case m.Speeds:
		return rockSlowly
	case m.Check:
		return checkRing
	}
	return readRing
}

func bySize(b *state.Bore) situation {
	switch {
	case b.State == event.Over:
		return overSize
	case b.Sizes == nil:
		return gaugeIt
	case b.Basis != b.Round:
		return gaugeAgain
	case b.Shrinking():
		return tooWarm
	case b.State == event.InSize:
		return inSize
	case b.State == event.OutOfForm:
		return outOfForm
	}
	return sized
}

// headlineOf returns the state, and what is shown largest.
func headlineOf(b *state.Bore, f notation.Format) headline {
	h := headline{is: situationOf(b), Tone: None, State: f.Text("state." + string(b.State)), Why: f.Say(b.Why)}
	h.say(h.is, b, f)
	switch h.is {
	case inDoubt, accepted, laidAside, overSize, inSize, outOfForm:
		h.limits(b, f)
	case checkRing, rockSlowly, rockFast:
		if b.Master.OK { // a zero that holds is only checked
			h.State = f.Text("face.state.checking")
		}
	case gaugeAgain:
		h.Caption = f.Text("face.caption.before_honing", analysis.Size(b.Sizes.Smallest.Size), analysis.Size(b.Sizes.Largest.Size))
	case tooWarm:
		h.Caption = f.Text("face.caption.reads_now", analysis.Size(b.Sizes.Smallest.Size), analysis.Size(b.Sizes.Largest.Size))
	case sized:
		h.limits(b, f)
		h.figure(b, f)
	}
	return h
}

// say sets the large words of a situation, and what belongs to them.
func (h *headline) say(is situation, b *state.Bore, f notation.Format) {
	looks, ok := looksOf[is]
	if !ok {
		return
	}
	h.Tone, h.Same, h.Big = looks.tone, looks.same, f.Say(bigOf(is, b.Master.Running))
	if looks.waits != "" {
		h.Waiting = f.Text("face.waits." + looks.waits)
	}
	if looks.own {
		h.State = f.Text("face.state." + string(is))
	}
}

// bigOf returns the large words of a situation. While a ring is read they count the readings.
func bigOf(is situation, m *event.Master) analysis.Phrase {
	switch is {
	case rockSlowly, rockFast:
		_, no, of := m.AtSpeed()
		return analysis.Say("face.big."+string(is), no, of)
	case checkRing, readRing:
		return analysis.Say("face.big."+string(is), min(len(m.Raw)+1, m.Of), m.Of)
	}
	return analysis.Say("face.big." + string(is))
}

// figure says how far the bore is from its size.
func (h *headline) figure(b *state.Bore, f notation.Format) {
	switch b.State {
	case event.StockToGo:
		h.Tone = Stock
	case event.TooClose:
		h.Tone, h.Waiting = Watch, f.Text("face.waits.gauging")
	}
	small := b.Sizes.Smallest
	h.Unit, h.Figure, h.Other = f.Text("face.unit.to_go", f.SmallUnit()), f.Some(b.ToLow), f.Other(b.ToLow)
	caption := analysis.Say("face.caption.to_low", small.Place)
	if b.State == event.TooClose || b.ToLow <= 0 { // near size the deviation says more, at the place nearest to it
		at := small
		caption = analysis.Say("face.caption.tightest", at.Place)
		if b.Complete && b.Room < -b.ToLow {
			at = b.Sizes.Largest
			caption = analysis.Say("face.caption.widest", at.Place)
		}
		d := analysis.Deviation(at.Size - b.Job.Target)
		h.Unit, h.Figure, h.Other = f.Text("face.unit.from_target", f.SmallUnit()), f.Signed(d), f.Other(d)
	}
	if !b.Complete {
		if h.Tone == None {
			h.Tone, h.State = Act, f.Text("face.state.gauging")
		}
		if b.State == event.StockToGo {
			h.AtLeast = "≥" // places that are not gauged yet may be tighter
		} else {
			caption = analysis.Say("face.caption.so_far", caption)
		}
	}
	h.Caption = f.Say(caption)
}

// limits says how much room is left, and the sizes of what was gauged.
func (h *headline) limits(b *state.Bore, f notation.Format) {
	if b.Sizes == nil {
		return
	}
	largest := b.Sizes.Largest
	h.RoomWord, h.Room, h.RoomUnit = f.Text("face.room.left"), f.Small(b.Room), f.Text("face.room.to_high", f.SmallUnit(), largest.Place)
	switch {
	case b.Room < 0:
		h.RoomWord, h.Room, h.RoomUnit = f.Text("face.room.over"), f.Some(-b.Room), f.Text("face.room.over_at", f.SmallUnit(), largest.Place)
	case !b.Complete && b.Basis == b.Round: // a place that is not gauged yet may be wider
		h.RoomWord = f.Text("face.room.at_most")
	}
	h.Caption = f.Text("face.caption.extremes", analysis.Size(b.Sizes.Smallest.Size), analysis.Size(largest.Size))
}

// unexpected returns a place whose reading is unexpected and waits for an answer, nil if there is
// none.
func unexpected(b *state.Bore) *state.PlaceState {
	if i := slices.IndexFunc(b.Places, func(p state.PlaceState) bool { return p.State == "asked" }); i >= 0 {
		return &b.Places[i]
	}
	return nil
}

// asked returns the question about the place of the newest reading, zero if there is none. A person
// who goes on gauging has answered it, unless the reading waits for an answer.
func asked(b *state.Bore) analysis.Phrase {
	if p := unexpected(b); p != nil {
		return p.Ask
	}
	for _, p := range b.Places {
		if !p.Ask.IsZero() && b.Last != nil && p.No == b.Last.No {
			return p.Ask
		}
	}
	return analysis.Phrase{}
}

// due returns the action that a person is to choose next, "" if the gauge goes on by itself or
// nothing is certain.
func due(b *state.Bore, is situation) string {
	switch is {
	case noJob:
		if !b.Recording || lost(b) || b.Master.Running != nil {
			return ""
		}
		return looksOf[is].due
	case gaugeIt, gaugeAgain, tooWarm, inSize, outOfForm, sized:
		return cmp.Or(dueOfAsking(b), dueBySize(b, is))
	}
	return looksOf[is].due
}

func dueOfAsking(b *state.Bore) string {
	switch {
	case unexpected(b) != nil:
		return "keep"
	case !asked(b).IsZero():
		return "void"
	}
	return ""
}

func dueBySize(b *state.Bore, is situation) string {
	switch {
	case !b.Complete:
		return ""
	case is == inSize && !b.Master.CheckDue.IsZero():
		return "check"
	case is == inSize:
		return "accept"
	case (is == sized || is == outOfForm) && b.Advice != nil && b.Advice.Kind.Honing():
		return "round"
	}
	return ""
}

// advise says what to consider doing next, and why.
func (v *Station) advise(b *state.Bore, f notation.Format) {
	v.Reason = v.Why
	switch v.is {
	case notRecording:
		v.Advice, v.Reason, v.Cautions = f.Text("face.advice.not_recording"), join(f.Say(b.Warning), f.Text("face.reason.not_recording")), nil
		return
	case gaugeLost:
		v.Advice, v.Reason = f.Text("face.advice.gauge_lost"), f.Text("face.reason.gauge_lost")
		return
	case inDoubt:
		v.Advice, v.Reason = f.Text("face.advice.in_doubt", b.Verdict.Part), f.Text("face.reason.in_doubt")
	case accepted, laidAside:
		v.Advice, v.Reason = f.Text("face.advice.next_part"), join(f.Say(b.Verdict.Reason), f.Say(b.Master.CheckAfter))
	case rockSlowly, rockFast, checkRing, readRing:
		v.Advice = f.Text("face.advice."+string(v.is), b.Master.Running.Ring.ID)
	case notMastered:
		v.Advice = f.Text("face.advice.not_mastered", b.Job.Ring)
	default:
		v.onBore(b, f)
	}
	v.warmth(b, f)
	v.ask(b, f)
}

// onBore advises from what is known about the bore.
func (v *Station) onBore(b *state.Bore, f notation.Format) {
	switch a := b.Advice; {
	case b.Shrinking() && b.State != event.Over: // no reason is given: that would be a verdict on what the bore reads now
		v.Advice, v.Reason = f.Text("face.advice.cool", max(1, int(math.Ceil(b.Cooling.Wait.Minutes())))), ""
	case b.Next != nil && !b.Complete:
		v.Advice, v.Reason = f.Text("face.advice.gauge_at", *b.Next), f.Text("face.reason.gauged", len(v.Readings), len(b.Places))
	case !b.Master.CheckDue.IsZero():
		v.Advice, v.Reason = f.Text("face.advice.check", b.Master.Ring), f.Say(b.Master.CheckDue)
	case a != nil:
		v.Advice, v.Reason = f.Say(a.Sentence), join(f.Say(a.Reason), f.Say(risk(a.Kind.Honing(), a.Risk)), f.Say(a.NotSaved))
	case len(b.Words) > 0:
		v.Advice = f.Say(b.Words[0])
	}
}

// warmth adds questions about places, and what is known about the part's temperature.
func (v *Station) warmth(b *state.Bore, f notation.Format) {
	for _, p := range b.Places {
		v.Reason = join(f.Say(p.Ask), v.Reason)
	}
	switch c := b.Cooling; {
	case b.Cool != nil && b.Verdict == nil:
		v.Reason = join(f.Say(b.Cool.Sentence), v.Reason)
	case c != nil && !c.Ready:
		if c.Excess != nil && b.Shrinking() {
			v.Advice = join(v.Advice, f.Text("face.advice.take_off"))
		}
		v.Reason = join(f.Say(c.Sentence), f.Say(c.Basis), v.Reason)
	}
}

// ask puts the program's question before its advice, since nothing should be based on a reading
// that may be of another place.
func (v *Station) ask(b *state.Bore, f notation.Format) {
	q := asked(b)
	if q.IsZero() || b.Verdict != nil || v.is == tooWarm {
		return
	}
	figure := v.Big == ""
	v.say(rightPlace, b, f)
	v.is = rightPlace
	if figure { // the figure stays; a verdict in large words would be based on the reading
		v.Big, v.Same = "", false
	}
	if unexpected(b) != nil { // the question names the choices
		v.Reason, v.Advice = f.Text("face.reason.not_yet"), Sentence(f.Say(q))
		return
	}
	v.Reason, v.Advice = f.Text("face.reason.right_place", v.Advice), Sentence(f.Say(q))
}

// risk says how likely the advised round is to go over the limit.
func risk(honing bool, p float64) analysis.Phrase {
	switch {
	case !honing:
		return analysis.Phrase{}
	case p < 0.001:
		return analysis.Say("face.reason.risk_below", analysis.Number{Value: 0.1, Places: 1})
	}
	return analysis.Say("face.reason.risk", analysis.Number{Value: 100 * p, Places: 1})
}

func join(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " ")
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

// choicesOf returns the places and readings that an action may refer to.
func choicesOf(b *state.Bore, f notation.Format) choices {
	c := choices{Ring: b.Job.Ring}
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
	if z := b.Sizes; z != nil {
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

// assumed says what is assumed about the gauge, "" if nothing is.
func assumed(b *state.Bore, f notation.Format) string {
	all := b.Assumed()
	if len(all) == 0 {
		return ""
	}
	words := make([]string, len(all))
	for i, what := range all {
		words[i] = f.Text("face.assumed." + what)
	}
	return f.Text("face.sign.assumed", strings.Join(words, ", "))
}

// Sentence begins a line with a capital letter.
func Sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
