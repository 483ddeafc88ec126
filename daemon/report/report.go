// Package report renders the record of a finished part.
package report

import (
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/session"
)

// Part is the record of one part: the events of its station from its beginning
// to its verdict, and the state that follows from them.
type Part struct {
	Bore    *session.Bore
	Records []session.Record // in order
}

// Text writes the record for a terminal or a printer: 100 columns, plain text.
func Text(p Part) string {
	var b strings.Builder
	j := p.Bore.Job
	fmt.Fprintf(&b, "RECORD  job %s %s  part %s  %s\n", j.ID, j.Title, p.Bore.Part.Serial, p.Bore.Station)
	fmt.Fprintf(&b, "limits  %s  to  %s\n", both(j.Low, j.Unit), both(j.High, j.Unit))
	for i := range p.Records {
		if m := p.Records[i].Master; m != nil && p.Records[i].Kind == session.Mastered {
			fmt.Fprintf(&b, "master  %s  ring %s certified %s, U %s µm, %d readings, spread %s µm, zero %s µm\n",
				clock(p.Records[i].At), m.Ring.ID, both(m.Ring.Size, j.Unit), um(m.Ring.U), m.Of, um(m.Spread), signed(m.Zero))
		}
	}
	b.WriteString("\n")
	rounds(&b, p)
	verdict(&b, p.Bore)
	last := p.Records[len(p.Records)-1]
	fmt.Fprintf(&b, "journal %s  rows %d to %d\n", last.Journal, p.Records[0].Seq, last.Seq)
	return b.String()
}

func rounds(b *strings.Builder, p Part) {
	w := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	plan := p.Bore.Job.Plan()
	fmt.Fprint(w, "round\tstrokes\t")
	for _, place := range plan {
		fmt.Fprintf(w, "%s/%s\t", place.Depth.Format(analysis.MM, 0), place.Angle)
	}
	fmt.Fprint(w, "smallest\tlargest\t\n")
	sizes := table(p.Records)
	for _, r := range p.Bore.Rounds {
		fmt.Fprintf(w, "%d\t%d\t", r.Number, r.Strokes)
		for _, place := range plan {
			cell := "-"
			if size, ok := sizes[at{r.Number, place}]; ok {
				cell = signed(analysis.Deviation(size - p.Bore.Job.Target))
			}
			fmt.Fprintf(w, "%s\t", cell)
		}
		fmt.Fprintf(w, "%s\t%s\t\n", signed(analysis.Deviation(r.Smallest-p.Bore.Job.Target)), signed(analysis.Deviation(r.Largest-p.Bore.Job.Target)))
	}
	w.Flush()
	fmt.Fprintf(b, "µm from the target %s; depth in mm / angle\n\n", both(p.Bore.Job.Target, p.Bore.Job.Unit))
}

type at struct {
	round int
	place analysis.Place
}

// table returns the size that counts at each place of each round.
func table(records []session.Record) map[at]analysis.Length {
	void := map[int]bool{}
	for i := range records {
		switch e := &records[i].Event; e.Kind {
		case session.Voided:
			void[e.Void.No] = true
		case session.Restored:
			delete(void, e.Void.No)
		}
	}
	sizes := map[at]analysis.Length{}
	for i := range records {
		if r := records[i].Reading; r != nil && !void[r.No] && r.Mastered > 0 {
			sizes[at{r.Round, r.Place}] = r.Size
		}
	}
	return sizes
}

func verdict(b *strings.Builder, bore *session.Bore) {
	v := bore.Verdict
	if v == nil {
		fmt.Fprintf(b, "not finished: %s %s\n", bore.State, bore.Why)
		return
	}
	word := "LAID ASIDE"
	if v.Accepted {
		word = "ACCEPTED"
	}
	fmt.Fprintf(b, "%s  smallest %s  largest %s\n", word, both(v.Smallest, bore.Job.Unit), both(v.Largest, bore.Job.Unit))
	if v.Reason != "" {
		fmt.Fprintf(b, "reason  %s\n", v.Reason)
	}
}

// both writes a size in the unit of the drawing and in the other one.
func both(l analysis.Length, u analysis.Unit) string {
	mm, in := l.Format(analysis.MM, 4)+" mm", l.Format(analysis.IN, 6)+" in"
	if u == analysis.IN {
		return in + " (" + mm + ")"
	}
	return mm + " (" + in + ")"
}

func um(d analysis.Deviation) string { return analysis.Length(d).Format(analysis.UM, 2) }

func signed(d analysis.Deviation) string {
	s := analysis.Length(d).Format(analysis.UM, 1)
	if d > 0 {
		return "+" + s
	}
	return s
}

func clock(t time.Time) string { return t.Format("15:04:05") }
