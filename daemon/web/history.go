package web

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// History answers for the parts in the journal. Any goroutine may call it.
type History interface {
	// Parts returns the parts that a filter picks, the newest first, at most
	// Limit of them.
	Parts(ctx context.Context, f PartFilter) ([]PartLine, error)
	// Record returns the state in which the part was left that began with event
	// seq of a station, and the events from there to its end, in order. It fails
	// with [ErrNoPart] if no part began there.
	Record(ctx context.Context, station string, seq uint64) (*state.Bore, []event.Record, error)
	// Studies returns the gauge studies of a station and job, "" for all of them, the
	// newest first, at most so many.
	Studies(ctx context.Context, station, job string, most int) ([]StudyLine, error)
	// Study returns the gauge study that began with event seq of a station, the newest of
	// the station for 0. It fails with [ErrNoStudy] if there is none.
	Study(ctx context.Context, station string, seq uint64) (StudyPage, error)
}

// ErrNoPart says that no part began with an event.
var ErrNoPart = errors.New("no part began there")

// PartFilter picks parts; what is empty picks all.
type PartFilter struct {
	Station, Job, Part string
	Limit              int
}

// PartLine is a part in a list.
type PartLine struct {
	Station, Job, Part string
	Seq                uint64 // of the event that began it
	First, Last        time.Time
	Readings           int
	Verdict            *event.Verdict // nil if it has none
}

// Tone is that of the verdict.
func (p PartLine) Tone() string { return string(verdictTone(p.Verdict)) }

// Word is the code of the verdict in words.
func (p PartLine) Word() string { return verdictWord(p.Verdict) }

func verdictTone(v *event.Verdict) tone {
	switch {
	case v == nil:
		return none
	case v.Accepted:
		return safe
	}
	return watch
}

func verdictWord(v *event.Verdict) string {
	switch {
	case v == nil:
		return "history.verdict.none"
	case v.Accepted:
		return "history.verdict.accepted"
	}
	return "history.verdict.laid_aside"
}

// historyShown bounds a list of parts.
const historyShown = 200

// studiesShown bounds a list of gauge studies.
const studiesShown = 5

func (s *Server) history(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	f := PartFilter{Station: q.Get("station"), Job: strings.TrimSpace(q.Get("job")), Part: strings.TrimSpace(q.Get("part")), Limit: historyShown}
	parts, err := s.cfg.History.Parts(r.Context(), f)
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	studies, err := s.cfg.History.Studies(r.Context(), f.Station, f.Job, studiesShown)
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	s.render(w, r, "history.html", struct {
		Filter   PartFilter
		Studies  []StudyLine
		Parts    []PartLine
		Stations []Station
		All      bool
		Lot      template.HTML
		Makes    bool // records can be made
	}{f, studies, parts, s.src.Stations(), len(parts) < historyShown, s.lot(f.Job, parts, s.look(r)), s.makes()})
}

// lot draws the finished parts of a job, if the list is of one that is known;
// parts come the newest first.
func (s *Server) lot(id string, parts []PartLine, l look) template.HTML {
	for _, j := range s.jobs("") {
		if j.ID != id {
			continue
		}
		lot := picture.Lot{Job: j, W: 1400, H: 320, Format: l.format(j)}
		for _, p := range slices.Backward(parts) {
			if v := p.Verdict; v != nil && v.Readings > 0 {
				lot.Parts = append(lot.Parts, picture.LotPart{Serial: p.Part, Smallest: v.Smallest, Largest: v.Largest, Accepted: v.Accepted})
			}
		}
		if len(lot.Parts) > 0 {
			return template.HTML(lot.SVG()) // picture escapes its text
		}
	}
	return ""
}

// line is a reading, or a fact beside the readings, of a record.
type line struct {
	At    string
	Round int
	No    int
	Where string
	Size  string
	Dev   string
	How   string
	Void  string
	Note  string // a fact that is no reading
}

// record is the page of a part.
type record struct {
	Line     PartLine
	Bore     *state.Bore
	Title    string
	Units    string
	Cut      template.HTML
	Approach template.HTML
	Sections template.HTML
	Facts    [][2]string
	Lines    []line
	Makes    bool // records can be made
}

func (s *Server) part(w http.ResponseWriter, r *http.Request) {
	station := r.PathValue("station")
	seq, err := strconv.ParseUint(r.PathValue("seq"), 10, 64)
	if err != nil {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_part"))
		return
	}
	b, events, err := s.cfg.History.Record(r.Context(), station, seq)
	switch {
	case errors.Is(err, ErrNoPart):
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_part"))
		return
	case err != nil:
		s.failed(w, r, analysis.Say("page.failed.part", err), err)
		return
	case b.Job == nil || b.Part == nil:
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_job"))
		return
	}
	l := s.look(r)
	f := l.format(b.Job)
	rec := record{Line: PartLine{Station: station, Job: b.Job.ID, Part: b.Part.Serial, Seq: seq, Verdict: b.Verdict}, Bore: b, Title: b.Job.Title, Units: f.SmallUnit(), Makes: s.makes()}
	// Drawings hold no text that isn't escaped: picture does it.
	rec.Cut = template.HTML(picture.Cut{Bore: b, W: 1400, H: 460, Format: f}.SVG())
	rec.Approach = template.HTML(picture.Approach{Bore: b, W: 1400, H: 400, Format: f, Against: l.by}.SVG())
	rec.Sections = template.HTML(picture.Sections{Bore: b, W: 1400, H: 300, Format: f}.SVG())
	rec.Facts = facts(b, f)
	rec.Lines = linesOf(events, f)
	s.render(w, r, "part.html", rec)
}

func facts(b *state.Bore, f notation.Format) (out [][2]string) {
	add := func(what, is string) { out = append(out, [2]string{f.Text("history.fact." + what), is}) }
	add("low", f.Size(b.Job.Low))
	add("high", f.Size(b.Job.High))
	if z := b.Sizes; z != nil {
		add("smallest", f.Text("history.size_at", analysis.Size(z.Smallest.Size), z.Smallest.Place))
		add("largest", f.Text("history.size_at", analysis.Size(z.Largest.Size), z.Largest.Place))
		add("variation", f.Small(z.Variation)+" "+f.SmallUnit())
	}
	if b.U != nil {
		add("uncertainty", "±"+f.Small(b.U.Expanded)+" "+f.SmallUnit()+", k = "+f.Decimal(b.U.K, 2))
	}
	if j := b.Judged; j != nil && j.Sizes.Smallest != nil {
		add("chance", f.Text("history.chance", j.Sizes.Smallest.Chance.Phrase(), j.Sizes.Largest.Chance.Phrase()))
	}
	if v := b.Verdict; v != nil {
		add("reason", f.Say(v.Reason))
		add("rule", f.Say(verdict.Rule(v.Rule).Phrase()))
	}
	add("ring", b.Master.Ring)
	for _, w := range b.Words {
		add("form", f.Say(w))
	}
	return out
}

// linesOf tells the events of a part, each reading with what became of it.
func linesOf(events []event.Record, f notation.Format) (out []line) {
	void := map[int]string{}
	for i := range events {
		switch e := &events[i].Event; e.Kind {
		case event.Taken:
			if e.Reading.Surprising {
				void[e.Reading.No] = f.Text("history.not_confirmed")
			}
		case event.Voided:
			void[e.Void.No] = f.Say(e.Void.Reason)
		case event.Restored, event.Kept:
			delete(void, e.Void.No)
		}
	}
	for i := range events {
		e := &events[i].Event
		l := line{At: e.At.Format("15:04:05")}
		if r := e.Reading; e.Kind == event.Taken && r != nil {
			l.Round, l.No, l.Where, l.How, l.Void = r.Round, r.No, f.Place(r.Place), f.Text("history.how."+r.How), void[r.No]
			l.Size, l.Dev = f.Size(r.Size), f.Signed(r.Deviation)
			out = append(out, l)
			if r.Surprising {
				out = append(out, line{At: l.At, Note: f.Say(r.Ask)})
			}
			continue
		}
		if l.Note = note(e, f); l.Note != "" {
			out = append(out, l)
		}
	}
	return out
}

// note tells an event that is no reading, "" for one that is not told.
func note(e *event.Event, f notation.Format) string {
	small := func(d analysis.Deviation) string { return f.Signed(d) + " " + f.SmallUnit() }
	switch e.Kind {
	case event.RoundOver:
		return f.Text("history.round", e.Round.Number, e.Round.Strokes)
	case event.Mastered:
		if g := e.Master.BySecond(); g != nil {
			return f.Text("history.second_ring", g.Ring.ID, g.Sentence)
		}
		return f.Text("history.mastered", e.Master.Ring.ID, small(e.Master.Zero), small(e.Master.Moved))
	case event.Checked:
		return f.Text("history.check", e.Check.Sentence)
	case event.Sped:
		return f.Text("history.speeds", e.Speeds.Sentence)
	case event.Reread:
		return f.Text("history.reread", e.Reread.Sentence)
	case event.Refused:
		return f.Text("history.refused", e.Refused.Reason)
	case event.Disturbed, event.Dressing, event.Told:
		return f.Say(e.Noted())
	case event.Cooled:
		return f.Say(e.Cool.Phrase())
	case event.Studied:
		return f.Say(e.Study.Phrase())
	case event.Voided, event.Restored, event.Kept:
		return struck(e, f)
	case event.Judged:
		return f.Text("history.judged", analysis.Say(verdictWord(e.Verdict)), f.Say(e.Verdict.Reason))
	case event.GaugeSeen:
		if e.Gauge.Lost {
			return f.Text("history.gauge_lost")
		}
	}
	return ""
}

// struck tells that a reading was struck out, or counts.
func struck(e *event.Event, f notation.Format) string {
	switch {
	case e.Kind == event.Voided:
		return f.Text("history.void", e.Void.No, e.Void.Reason)
	case e.Kind == event.Restored:
		return f.Text("history.restored", e.Void.No)
	case e.Void.Reason.IsZero():
		return f.Text("history.kept", e.Void.No)
	}
	return f.Text("history.kept_because", e.Void.No, e.Void.Reason)
}
