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

// Word is the verdict in words.
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
		return "not finished"
	case v.Accepted:
		return "accepted"
	}
	return "laid aside"
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
		s.failed(w, "history", err)
		return
	}
	studies, err := s.cfg.History.Studies(r.Context(), f.Station, f.Job, studiesShown)
	if err != nil {
		s.failed(w, "history", err)
		return
	}
	s.render(w, "history.html", struct {
		Filter   PartFilter
		Studies  []StudyLine
		Parts    []PartLine
		Stations []Station
		All      bool
		Lot      template.HTML
		Makes    bool // records can be made
	}{f, studies, parts, s.src.Stations(), len(parts) < historyShown, s.lot(f.Job, parts, parseLook(q)), s.makes()})
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

func (s *Server) failed(w http.ResponseWriter, what string, err error) {
	s.log.Error().Err(err).Msg(what)
	http.Error(w, what+": "+err.Error(), http.StatusInternalServerError)
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
		http.Error(w, "no such part", http.StatusNotFound)
		return
	}
	b, events, err := s.cfg.History.Record(r.Context(), station, seq)
	switch {
	case errors.Is(err, ErrNoPart):
		http.Error(w, "no such part", http.StatusNotFound)
		return
	case err != nil:
		s.failed(w, "record", err)
		return
	case b.Job == nil || b.Part == nil:
		http.Error(w, "no job was chosen for this part", http.StatusNotFound)
		return
	}
	l := parseLook(r.URL.Query())
	f := l.format(b.Job)
	rec := record{Line: PartLine{Station: station, Job: b.Job.ID, Part: b.Part.Serial, Seq: seq, Verdict: b.Verdict}, Bore: b, Title: b.Job.Title, Units: f.SmallUnit(), Makes: s.makes()}
	// Drawings hold no text that isn't escaped: picture does it.
	rec.Cut = template.HTML(picture.Cut{Bore: b, W: 1400, H: 460, Format: f}.SVG())
	rec.Approach = template.HTML(picture.Approach{Bore: b, W: 1400, H: 400, Format: f, Against: l.by}.SVG())
	rec.Sections = template.HTML(picture.Sections{Bore: b, W: 1400, H: 300, Format: f}.SVG())
	rec.Facts = facts(b, f)
	rec.Lines = linesOf(events, f)
	s.render(w, "part.html", rec)
}

func facts(b *state.Bore, f notation.Format) (out [][2]string) {
	b = b.In(f.Speaks())
	add := func(what, is string) { out = append(out, [2]string{what, is}) }
	add("low limit", f.Size(b.Job.Low))
	add("high limit", f.Size(b.Job.High))
	if z := b.Sizes; z != nil {
		add("smallest", f.Size(z.Smallest.Size)+" at "+f.Place(z.Smallest.Place))
		add("largest", f.Size(z.Largest.Size)+" at "+f.Place(z.Largest.Place))
		add("variation", f.Small(z.Variation)+" "+f.SmallUnit())
	}
	if b.U != nil {
		add("uncertainty", "±"+f.Small(b.U.Expanded)+" "+f.SmallUnit()+", k = "+strconv.FormatFloat(b.U.K, 'f', 2, 64))
	}
	if j := b.Judged; j != nil && j.Sizes.Smallest != nil {
		add("chance to conform", "smallest size "+j.Sizes.Smallest.Chance.String()+"; largest "+j.Sizes.Largest.Chance.String())
	}
	if v := b.Verdict; v != nil {
		add("reason", f.Recorded(v.Reason))
		add("decision rule", v.Rule)
	}
	add("ring", b.Master.Ring)
	for _, w := range b.Words {
		add("form", w)
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
				void[e.Reading.No] = "asked about, not confirmed"
			}
		case event.Voided:
			void[e.Void.No] = e.Void.Reason
		case event.Restored, event.Kept:
			delete(void, e.Void.No)
		}
	}
	for i := range events {
		e := &events[i].Event
		l := line{At: e.At.Format("15:04:05")}
		if r := e.Reading; e.Kind == event.Taken && r != nil {
			l.Round, l.No, l.Where, l.How, l.Void = r.Round, r.No, f.Place(r.Place), r.How, void[r.No]
			l.Size, l.Dev = f.Size(r.Size), f.Signed(r.Deviation)
			out = append(out, l)
			if r.Surprising {
				out = append(out, line{At: l.At, Note: f.Recorded(r.Ask)})
			}
			continue
		}
		if l.Note = f.Recorded(note(e, f)); l.Note != "" {
			out = append(out, l)
		}
	}
	return out
}

func note(e *event.Event, f notation.Format) string {
	small := func(d analysis.Deviation) string { return f.Signed(d) + " " + f.SmallUnit() }
	switch e.Kind {
	case event.RoundOver:
		return "round " + strconv.Itoa(e.Round.Number) + " begins, " + analysis.Count(e.Round.Strokes, "stroke", "strokes") + " before it"
	case event.Mastered:
		if g := e.Master.BySecond(); g != nil {
			return "second ring " + g.Ring.ID + " read: " + g.Sentence
		}
		return "mastered on ring " + e.Master.Ring.ID + ", zero " + small(e.Master.Zero) + ", moved " + small(e.Master.Moved)
	case event.Checked:
		return "zero check: " + e.Check.Sentence
	case event.Sped:
		return "rocked slowly, then fast: " + e.Speeds.Sentence
	case event.Reread:
		return "re-read as a part: " + e.Reread.Sentence
	case event.Refused:
		return "not counted: " + e.Refused.Reason
	case event.Voided:
		return "reading " + strconv.Itoa(e.Void.No) + " void: " + e.Void.Reason
	case event.Disturbed, event.Dressing, event.Told:
		return e.Note
	case event.Cooled:
		return e.Cool.Sentence()
	case event.Studied:
		return e.Study.Sentence()
	case event.Restored:
		return "reading " + strconv.Itoa(e.Void.No) + " counts again"
	case event.Kept:
		return strings.TrimSuffix("reading "+strconv.Itoa(e.Void.No)+" kept: "+e.Void.Reason, ": ")
	case event.Judged:
		return verdictWord(e.Verdict) + ": " + e.Verdict.Reason
	case event.GaugeSeen:
		if e.Gauge.Lost {
			return "gauge lost"
		}
	}
	return ""
}
