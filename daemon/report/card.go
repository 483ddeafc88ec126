package report

import (
	"fmt"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// Card is what hangs at a machine: the way of a part in a few sentences, and codes to scan.
type Card struct {
	Station, Title string
	Jobs           []*analysis.Job
	Rings          []*analysis.Ring
	// First is the first of Count serial numbers; "" for none.
	First string
	Count int
	// Address is where a phone finds the page; "" where none is to be shown.
	Address    string
	Letterhead event.Letterhead
	Simulated  bool
}

// The most codes of a kind, so that the card stays on one page.
const (
	cardJobs    = 8
	cardRings   = 8
	cardSerials = 8
)

// Document puts the card together for a reader.
func (c Card) Document(f notation.Format) *document.Document {
	w := newWriter(nil, f)
	w.letterhead(&event.Settings{Letterhead: c.Letterhead})
	w.doc.Title, w.doc.Subject = w.Text("card.title"), w.Text("record.of.station", clean(c.Title))
	if c.Simulated {
		w.doc.Simulated = [2]string{w.Text("record.simulated"), w.Text("record.simulated.says")}
	}
	steps := document.Lines{}
	for i, step := range []string{"begin", "master", "measure", "hone", "check", "decide"} {
		steps = append(steps, strconv.Itoa(i+1)+"  "+w.Text("card.step."+step))
	}
	w.section(w.Text("card.way"), steps, document.Para(w.Text("card.caution")))
	actions := document.Codes{}
	for _, do := range event.Blind() {
		actions = append(actions, document.Coded{Text: event.ScanText(do), Says: w.Text("card.do." + do)})
	}
	if c.Address != "" {
		actions = append(actions, document.Coded{Text: c.Address, Says: w.Text("card.phone")})
	}
	w.section(w.Text("card.actions"), actions)
	w.codes("card.jobs", w.jobCodes(c.Jobs), cardJobs)
	var rings document.Codes
	for _, r := range c.Rings {
		rings = append(rings, document.Coded{Text: r.ID, Says: w.both(r.Size)})
	}
	w.codes("card.rings", rings, cardRings)
	var serials document.Codes
	for no := c.First; no != "" && len(serials) < min(c.Count, cardSerials); no = following(no) {
		serials = append(serials, document.Coded{Text: no})
	}
	w.codes("card.serials", serials, cardSerials)
	return w.doc
}

// following returns the serial number after one: its last digits count on. After one that does not end
// with a digit comes none, "".
func following(serial string) string {
	head := strings.TrimRight(serial, "0123456789")
	digits := serial[len(head):]
	n, err := strconv.Atoi(digits)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%s%0*d", head, len(digits), n+1)
}

func (w *writer) jobCodes(jobs []*analysis.Job) (all document.Codes) {
	for _, j := range jobs {
		all = append(all, document.Coded{Text: j.ID, Says: clean(j.Title)})
	}
	return all
}

// codes begins a section with codes, at most most of them, and says how many there are besides.
func (w *writer) codes(heading string, all document.Codes, most int) {
	if len(all) == 0 {
		return
	}
	more := len(all) - most
	w.section(w.Text(heading), all[:min(len(all), most)])
	if more > 0 {
		w.doc.Add(document.Para(w.Text("card.more", more)))
	}
}
