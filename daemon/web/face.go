package web

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// tone is the meaning of a colour at a machine (IEC 60073); each comes with a
// word and a shape of its own.
type tone string

const (
	safe   tone = "safe"   // green, a tick in a circle
	danger tone = "danger" // red, a cross in an octagon
	watch  tone = "watch"  // yellow, a triangle
	act    tone = "act"    // blue, a hand on a disc: the operator must act
	stock  tone = "stock"  // no colour, an arrow: hone on
	none   tone = "none"   // no colour, a dashed square: nothing is known
)

// face is what a person reads off the page of a station, in his units: all
// words and figures, so that the page only has to set them.
type face struct {
	Job      string `json:"job"`
	JobTitle string `json:"title"`
	Part     string `json:"part"`
	Round    string `json:"round"`

	Tone  tone   `json:"tone"`
	State string `json:"state"` // the word of the state
	Why   string `json:"why,omitempty"`

	// Figure is the largest figure, or else Big the words in its place.
	Figure  string `json:"figure,omitempty"`
	AtLeast string `json:"least,omitempty"` // before the figure: ≥ while places are missing
	Unit    string `json:"unit,omitempty"`
	Caption string `json:"caption,omitempty"`
	Other   string `json:"other,omitempty"` // the figure in other units
	Big     string `json:"big,omitempty"`
	// Room is the second figure: up to the high limit at the widest place, or what
	// is over it.
	Room     string `json:"room,omitempty"`
	RoomWord string `json:"room_word,omitempty"`
	RoomUnit string `json:"room_unit,omitempty"`

	Advice   string   `json:"advice,omitempty"`
	Reason   string   `json:"reason,omitempty"`
	Cautions []string `json:"cautions,omitempty"`
	Turning  bool     `json:"turning,omitempty"` // the spindle turns; the first caution says so
	Sizes    string   `json:"sizes,omitempty"`   // the extreme sizes, for the question before a verdict

	Next     string `json:"next,omitempty"`
	Progress string `json:"progress,omitempty"`
	Last     string `json:"last,omitempty"`
	Refused  string `json:"refused,omitempty"`

	Master sign `json:"master"`
	Gauge  sign `json:"gauge"`
	Record sign `json:"record"`

	Places   []choice   `json:"places,omitempty"`
	Readings []choice   `json:"readings,omitempty"`
	Voids    []choice   `json:"voids,omitempty"`
	Asked    []choice   `json:"asked,omitempty"` // readings that wait for an answer
	Ring     string     `json:"ring,omitempty"`
	Mastered bool       `json:"mastered"`
	Reading  bool       `json:"reading_ring"` // a ring is being read
	Finished bool       `json:"finished"`
	Study    *studyFace `json:"study,omitempty"`
	Due      string     `json:"due,omitempty"`     // the action that is due now, "" if none is
	Waiting  string     `json:"waiting,omitempty"` // who waits for whom, for the wall
}

// sign is a small state beside the large one.
type sign struct {
	Tone tone   `json:"tone"`
	Text string `json:"text"`
	More string `json:"more,omitempty"` // after the text, where there is room for it
}

// choice is a place, or a reading, that an action may name.
type choice struct {
	Depth analysis.Length `json:"depth_mm"`
	Angle analysis.Angle  `json:"angle_deg"`
	No    int             `json:"no,omitempty"`
	Text  string          `json:"text"`
}

// faceOf puts the state of a station into words.
func faceOf(b *state.Bore, f notation.Format) face {
	b = b.In(f.Speaks())
	v := face{Tone: none, State: string(b.State), Why: b.Why, Cautions: once(b.Cautions), Mastered: b.Master.OK, Reading: b.Master.Running != nil, Finished: b.Verdict != nil}
	v.signs(b, f)
	v.Due = due(b)
	if b.Job == nil {
		v.Tone, v.Big, v.Waiting = act, "Choose a job", "a job"
		v.Advice = "Choose the job, or enter a new one."
		return v
	}
	v.Job, v.JobTitle, v.Ring = b.Job.ID, b.Job.Title, b.Job.Ring
	if b.Part != nil {
		v.Part, v.Round = b.Part.Serial, fmt.Sprint(b.Round)
	}
	v.places(b, f)
	v.headline(b, f)
	v.advise(b)
	v.studied(b, f)
	v.translate(f)
	return v
}

// translate says what was put in words elsewhere in the viewer's units.
func (v *face) translate(f notation.Format) {
	for _, s := range []*string{&v.Why, &v.Advice, &v.Reason, &v.Refused} {
		*s = f.Recorded(*s)
	}
	v.Reason = sentence(v.Reason)
	for i := range v.Cautions {
		v.Cautions[i] = f.Recorded(v.Cautions[i])
	}
}

// away is the face of a station that is out of reach: what was on the machine, and
// since when nothing is known. The gauge and the record may be well there.
func away(b *state.Bore, f notation.Format, why string) face {
	v := face{Tone: none, State: "no signal", Big: "No signal", Why: why, Advice: "Nothing is known of this station now.", Reason: f.Recorded(why), Waiting: "a signal"}
	v.Master, v.Gauge, v.Record = sign{Tone: none, Text: "zero not known"}, sign{Tone: none, Text: "gauge not known"}, sign{Tone: none, Text: "record not known"}
	if b.Job != nil {
		v.Job, v.JobTitle = b.Job.ID, b.Job.Title
	}
	if b.Part != nil {
		v.Part, v.Round = b.Part.Serial, fmt.Sprint(b.Round)
	}
	return v
}

// face puts the state of a station into words, or says that it is out of reach.
func (s *Server) face(b *state.Bore, f notation.Format) face {
	if p, ok := s.src.(Presence); ok {
		if why := p.Gone(b.Station); why != "" {
			return away(b, f, why)
		}
	}
	return faceOf(b, f)
}

// headline decides what stands largest: what is not known before what is.
func (v *face) headline(b *state.Bore, f notation.Format) {
	running := b.Master.Running
	switch {
	case b.Verdict != nil && b.Master.Doubted:
		v.says(watch, "In doubt", "a person")
		v.State = "in doubt after a failed zero check"
		v.limits(b, f)
	case b.Verdict != nil && b.Verdict.Accepted:
		v.says(safe, "Accepted", "the next part")
		v.limits(b, f)
	case b.Verdict != nil:
		v.says(watch, "Laid aside", "the next part")
		v.State = "laid aside"
		v.limits(b, f)
	case !b.Recording:
		v.says(watch, "Not recording", "the journal")
	case b.Gauge != nil && b.Gauge.Lost:
		v.says(watch, "Gauge lost", "the gauge")
	case running != nil && running.Speeds:
		speed, no, of := running.AtSpeed()
		v.says(act, fmt.Sprintf("Rock %s %d/%d", speed, no, of), "the ring")
		v.checks(b)
	case running != nil && running.Check:
		v.says(act, fmt.Sprintf("Check ring %d/%d", min(len(running.Raw)+1, running.Of), running.Of), "the ring")
		v.checks(b)
	case running != nil:
		v.says(act, fmt.Sprintf("Read ring %d/%d", min(len(running.Raw)+1, running.Of), running.Of), "the ring")
	case !b.Master.OK:
		v.says(act, "Not mastered", "mastering")
	case gauging(b) && b.Study.Taking:
		v.says(act, studyNow, "gauging")
	case gauging(b):
		v.says(act, studyNext, "the next part")
	case b.State == event.Over:
		v.says(danger, "Over", "a person")
		v.limits(b, f)
	case b.Sizes == nil:
		v.says(act, "Gauge it", "gauging")
	case b.Basis != b.Round:
		v.says(act, "Gauge again", "gauging")
		v.Caption = "before honing: " + extremes(b, f)
	case warm(b): // a warm bore reads large: in size now is not in size
		v.says(watch, "Too warm", "the part to cool")
		v.State = "too warm to judge"
		v.Caption = "reads now: " + extremes(b, f)
	default:
		v.judged(b, f)
	}
}

// warm reports whether repeated readings show the part still to shrink.
func warm(b *state.Bore) bool { return b.Shrinking() }

// surprise is a place whose reading was surprising and waits for an answer, nil if none does.
func surprise(b *state.Bore) *state.PlaceState {
	if i := slices.IndexFunc(b.Places, func(p state.PlaceState) bool { return p.State == "asked" }); i >= 0 {
		return &b.Places[i]
	}
	return nil
}

// asked is what the tool asks about the place of the newest reading, "" if
// nothing. Who gauges on has answered it, unless the reading waits for the answer.
func asked(b *state.Bore) string {
	if p := surprise(b); p != nil {
		return p.Ask
	}
	for _, p := range b.Places {
		if p.Ask != "" && b.Last != nil && p.No == b.Last.No {
			return p.Ask
		}
	}
	return ""
}

// due names the action that a person is to choose next, "" where the gauge goes on
// by itself or nothing is certain.
func due(b *state.Bore) string {
	switch {
	case b.Verdict != nil:
		return "part"
	case !b.Recording || b.Gauge != nil && b.Gauge.Lost || b.Master.Running != nil:
		return ""
	case b.Job == nil:
		return "job"
	case !b.Master.OK:
		return "master"
	case gauging(b):
		return map[bool]string{false: "study"}[b.Study.Taking]
	case b.State == event.Over:
		return "reject"
	case surprise(b) != nil:
		return "keep"
	case asked(b) != "":
		return "void"
	case b.Sizes == nil || !b.Complete || b.Basis != b.Round || warm(b):
		return ""
	case b.State == event.InSize && b.Master.CheckDue != "":
		return "check"
	case b.State == event.InSize:
		return "accept"
	case b.Advice != nil && b.Advice.Kind.Honing():
		return "round"
	}
	return ""
}

func (v *face) says(t tone, big, waits string) { v.Tone, v.Big, v.Waiting = t, big, waits }

func (v *face) judged(b *state.Bore, f notation.Format) {
	v.limits(b, f)
	switch b.State {
	case event.InSize:
		v.says(safe, "In size", "accepting")
		return
	case event.OutOfForm:
		v.says(watch, "Out of form", "a person")
		return
	case event.StockToGo:
		v.Tone = stock
	case event.TooClose:
		v.Tone, v.Waiting = watch, "gauging"
	}
	small := b.Sizes.Smallest
	v.Unit, v.Figure, v.Other = f.SmallUnit()+" to go", f.Some(b.ToLow), f.Other(b.ToLow)
	v.Caption = "to the low limit, at " + f.Place(small.Place)
	if b.State == event.TooClose || b.ToLow <= 0 { // near size the deviation says more, of the place nearest to its limit
		which, at := "tightest", small
		if b.Complete && b.Room < -b.ToLow {
			which, at = "widest", b.Sizes.Largest
		}
		d := analysis.Deviation(at.Size - b.Job.Target)
		v.Unit, v.Figure, v.Other = f.SmallUnit()+" from target", f.Signed(d), f.Other(d)
		v.Caption = which + ", at " + f.Place(at.Place)
	}
	if !b.Complete {
		v.AtLeast = "≥" // the places not gauged yet may be tighter
		if v.Tone == none {
			v.Tone, v.State = act, "gauging"
		}
		if b.State != event.StockToGo {
			v.AtLeast = ""
			v.Caption += ", so far"
		}
	}
}

// limits tells the room, and of what was gauged the sizes.
func (v *face) limits(b *state.Bore, f notation.Format) {
	if b.Sizes == nil {
		return
	}
	v.RoomWord, v.Room = "room", f.Small(b.Room)
	v.RoomUnit = f.SmallUnit() + " to the high limit, at " + f.Place(b.Sizes.Largest.Place)
	switch {
	case b.Room < 0:
		v.RoomWord, v.Room = "over by", f.Some(-b.Room)
		v.RoomUnit = f.SmallUnit() + ", at " + f.Place(b.Sizes.Largest.Place)
	case !b.Complete && b.Basis == b.Round: // a place not gauged yet may be wider
		v.RoomWord = "room at most"
	}
	v.Caption = extremes(b, f)
}

// checks says that a zero which holds is only looked at.
func (v *face) checks(b *state.Bore) {
	if b.Master.OK {
		v.State = "checking"
	}
}

// extremes tells the smallest and the largest size.
func extremes(b *state.Bore, f notation.Format) string {
	return "smallest " + f.Size(b.Sizes.Smallest.Size) + ", largest " + f.Size(b.Sizes.Largest.Size)
}

// advise says what to consider doing next, and why.
func (v *face) advise(b *state.Bore) {
	v.Reason = b.Why
	switch a := b.Advice; {
	case b.Verdict != nil && b.Master.Doubted:
		v.Advice = "Master the gauge, then gauge part " + b.Verdict.Part + " again as the next part."
		v.Reason = "A zero check after its verdict failed: its readings since the last good look at the ring are in doubt, and those of other parts in between."
	case b.Verdict != nil:
		v.Advice, v.Reason = "Take the next part.", join(b.Verdict.Reason, b.Master.CheckAfter)
	case !b.Recording:
		v.Advice, v.Reason = "Stop: what is gauged now is not kept.", join(b.Warning, "Call whoever looks after this computer.")
		v.Cautions = nil
		return
	case b.Gauge != nil && b.Gauge.Lost:
		v.Advice, v.Reason = "Nothing is counted until the gauge is back.", "Look at its cable, its switch and its battery."
		return
	case b.Master.Running != nil && b.Master.Running.Speeds:
		v.Advice = "Rock slowly in ring " + b.Master.Running.Ring.ID + ", through square on both sides."
		if speed, _, _ := b.Master.Running.AtSpeed(); speed == "fast" {
			v.Advice = "Now rock fast in ring " + b.Master.Running.Ring.ID + ", as wide as before."
		}
	case b.Master.Running != nil:
		v.Advice = "Read ring " + b.Master.Running.Ring.ID + " as you gauge the part."
	case !b.Master.OK:
		v.Advice = "Master the gauge on ring " + b.Job.Ring + "."
	case warm(b) && b.State != event.Over:
		v.Advice, v.Reason = fmt.Sprintf("Let it cool for about %s, then gauge on here.", wait(b.Cooling.Wait)), "" // not the verdict on what it reads now
	case b.Next != nil && !b.Complete:
		v.Advice, v.Reason = "Gauge at "+v.Next+".", v.Progress+" gauged in this round."
	case b.Master.CheckDue != "":
		v.Advice, v.Reason = "Check the zero on ring "+b.Master.Ring+", then accept.", b.Master.CheckDue
	case a != nil:
		v.Advice, v.Reason = a.Sentence, join(a.Reason, risk(a.Kind.Honing(), a.Risk), a.NotSaved)
	case len(b.Words) > 0:
		v.Advice = b.Words[0]
	}
	for _, p := range b.Places {
		v.Reason = join(p.Ask, v.Reason)
	}
	switch c := b.Cooling; {
	case b.Cool != nil && b.Verdict == nil:
		v.Reason = join(b.Cool.Sentence, v.Reason)
	case c != nil && !c.Ready:
		if c.Excess != nil && warm(b) {
			v.Advice += " Or have it taken off, under Warmth."
		}
		v.Reason = join(c.Sentence, c.Basis, v.Reason)
	}
	v.ask(b)
}

// ask puts the tool's question before its advice: nothing is to be built on a
// reading that may be of another place.
func (v *face) ask(b *state.Bore) {
	q := asked(b)
	if q == "" || b.Verdict != nil || v.Big == "Too warm" {
		return
	}
	v.Tone, v.State = watch, "right place?"
	if v.Big != "" { // a verdict in large words would rest on it
		v.Big = "Right place?"
	}
	if surprise(b) != nil { // the question names the choices
		v.Reason, v.Advice = "It does not count until then.", sentence(q)
		return
	}
	v.Reason = join("If it was not, void it and gauge both places. If it was:", v.Advice)
	v.Advice = sentence(q)
}

// risk says how likely the advised round goes over.
func risk(honing bool, p float64) string {
	switch {
	case !honing:
		return ""
	case p < 0.001:
		return "Risk of going over below 0.1 %."
	}
	return fmt.Sprintf("Risk of going over about %.1f %%.", 100*p)
}

// wait is how long to wait, no finer than one can tell.
func wait(d time.Duration) string {
	if d < time.Minute {
		return "a minute"
	}
	return analysis.Count(int(math.Ceil(d.Minutes())), "minute", "minutes")
}

// once leaves out what is said twice in other words.
func once(cautions []string) (out []string) {
	for _, c := range cautions {
		first := strings.Join(strings.Fields(strings.ReplaceAll(c, ",", ""))[:min(3, len(strings.Fields(c)))], " ")
		if !slices.ContainsFunc(out, func(o string) bool { return strings.HasPrefix(strings.ReplaceAll(o, ",", ""), first) }) {
			out = append(out, c)
		}
	}
	return out
}

func join(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " ")
}

func (v *face) places(b *state.Bore, f notation.Format) {
	taken := 0
	for _, p := range b.Places {
		text := f.Place(p.Place) + " · " + p.State
		if p.Deviation != nil {
			text += " " + f.Signed(*p.Deviation)
		}
		v.Places = append(v.Places, choice{p.Depth, p.Angle, p.No, text})
		if p.State == "asked" {
			v.Asked = append(v.Asked, choice{p.Depth, p.Angle, p.No, fmt.Sprintf("no. %d · %s %s at %s", p.No, f.Signed(*p.Deviation), f.SmallUnit(), f.Place(p.Place))})
		}
		if p.State == "taken" {
			taken++
			v.Readings = append(v.Readings, choice{p.Depth, p.Angle, p.No, fmt.Sprintf("no. %d · %s %s at %s", p.No, f.Signed(*p.Deviation), f.SmallUnit(), f.Place(p.Place))})
		}
	}
	for _, r := range b.Voids {
		v.Voids = append(v.Voids, choice{r.Depth, r.Angle, r.No, fmt.Sprintf("no. %d at %s: %s, %s", r.No, f.Place(r.Place), r.Reason, f.Size(r.Size))})
	}
	if b.Sizes != nil {
		v.Sizes = fmt.Sprintf("%s, smallest %s at %s, largest %s at %s.", b.State, f.Size(b.Sizes.Smallest.Size), f.Place(b.Sizes.Smallest.Place), f.Size(b.Sizes.Largest.Size), f.Place(b.Sizes.Largest.Place))
	}
	if len(b.Places) > 0 {
		v.Progress = fmt.Sprintf("%d of %d places", taken, len(b.Places))
	}
	if b.Next != nil {
		v.Next = f.Place(*b.Next)
	}
	if l := b.Last; l != nil {
		v.Last = fmt.Sprintf("no. %d: %s at %s", l.No, f.Size(l.Size), f.Place(l.Place))
	}
	if x := b.Reread; x != nil && (b.Last == nil || x.At.After(b.Last.At)) {
		v.Last = fmt.Sprintf("ring %s as a part: %s, %s %s off, %s", x.Ring.ID, f.Size(x.Size), f.Signed(x.Error), f.SmallUnit(), rereadWord(x))
	}
	if b.Refused != nil {
		v.Refused = b.Refused.Reason
	}
}

// rereadWord says how the ring that set the zero came out as a part.
func rereadWord(x *event.Rereading) string {
	switch {
	case x.Agrees:
		return "agrees"
	case x.Good:
		return "check the zero"
	}
	return "too far off"
}

func (v *face) signs(b *state.Bore, f notation.Format) {
	switch m := &b.Master; {
	case m.OK:
		v.Master = sign{safe, "ring " + m.Ring, analysis.Count(m.Since, "reading since", "readings since")}
		if m.Gain != 0 {
			v.Master.More += fmt.Sprintf(", gain %.4f", m.Gain)
		}
	default:
		v.Master = sign{Tone: act, Text: "not mastered"}
	}
	switch g := b.Gauge; {
	case g == nil:
		v.Gauge = sign{Tone: none, Text: "gauge not seen yet"}
	case g.Lost:
		v.Gauge = sign{Tone: watch, Text: "gauge " + g.Name + " lost"}
	default:
		v.Gauge = sign{Tone: safe, Text: "gauge " + g.Name}
		if assumed := b.Assumed(); len(assumed) > 0 {
			v.Gauge.More = "assumed: " + strings.Join(assumed, ", ")
		}
	}
	switch {
	case !b.Recording:
		v.Record = sign{Tone: danger, Text: "NOT RECORDING"}
	case b.Warning != "":
		v.Record = sign{Tone: watch, Text: "recording, warning"}
		v.Cautions = append([]string{sentence(b.Warning)}, v.Cautions...)
	default:
		v.Record = sign{Tone: safe, Text: "recording"}
	}
	if v.Turning = b.Spindle; v.Turning {
		v.Cautions = slices.DeleteFunc(v.Cautions, func(c string) bool { return strings.HasPrefix(c, "Stop the spindle") }) // said once
		v.Cautions = append([]string{"SPINDLE TURNING: nothing is counted until it rests."}, v.Cautions...)
	}
}
