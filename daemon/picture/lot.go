package picture

import (
	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Lot draws the finished parts of a job side by side, each as the range from its smallest size to
// its largest, between the limits. It is not a control chart, since gauging and not the process
// holds a honed bore to its size.
type Lot struct {
	Job    *analysis.Job
	Parts  []LotPart // in the order of time
	W, H   float64
	Format notation.Format
}

// LotPart is a part of a lot.
type LotPart struct {
	Serial            string
	Smallest, Largest analysis.Length
	Accepted          bool
}

// SVG draws it for a page.
func (l Lot) SVG() []byte {
	s := NewSVG(l.W, l.H, l.Format.Text("picture.title.lot", l.Job.ID))
	l.Draw(s)
	return s.Bytes()
}

// Draw draws the lot on any canvas. A part that was not accepted is crossed out.
func (l Lot) Draw(cv Canvas) {
	t := clamp(min(l.H/13, l.W/20), 10, 22)
	lo, hi := l.Job.Low, l.Job.High
	for _, p := range l.Parts {
		lo, hi = min(lo, p.Smallest), max(hi, p.Largest)
	}
	pad := (hi - lo) / 12
	y := axis{lo - pad, hi + pad, l.H - 1.8*t, 1.6 * t}
	x0, x1 := 4.2*t, l.W-0.6*t
	cv.Text(Soft, Point{x0, t}, 0.85*t, Start, l.Format.Text("picture.lot", l.Format.SmallUnit()))
	limitBand(cv, l.Job, y, x0, x1)
	scale(cv, l.Job, l.Format, y, x0, t)
	slot := (x1 - x0) / float64(max(1, len(l.Parts)))
	w := min(0.3*slot, 0.8*t)
	each := 1 // write every each-th serial number, so that they do not touch
	for _, p := range l.Parts {
		each = max(each, int(0.85*t*textWidth(p.Serial+" ")/slot)+1)
	}
	for i, p := range l.Parts {
		x := x0 + slot*(float64(i)+0.5)
		box := rect(x-w, y.at(p.Largest)-1, x+w, y.at(p.Smallest)+1)
		cv.Lines(Bar, true, box)
		if !p.Accepted {
			r, at := 0.28*t, Point{x, max(box[0].Y-0.6*t, y.high+0.3*t)} // a second cross above, visible where the bar hides the first
			cv.Lines(Alarm, false, []Point{box[0], box[2]}, []Point{box[1], box[3]},
				[]Point{{at.X - r, at.Y - r}, {at.X + r, at.Y + r}}, []Point{{at.X - r, at.Y + r}, {at.X + r, at.Y - r}})
		}
		if i%each == 0 {
			cv.Text(Soft, Point{x, l.H - 0.6*t}, 0.85*t, Middle, p.Serial)
		}
	}
}

// limitBand draws the limits, the band between them, and the axes.
func limitBand(cv Canvas, j *analysis.Job, y axis, x0, x1 float64) {
	cv.Lines(Channel, true, rect(x0, y.at(j.High), x1, y.at(j.Low)))
	cv.Lines(Limit, false, []Point{{x0, y.at(j.High)}, {x1, y.at(j.High)}}, []Point{{x0, y.at(j.Low)}, {x1, y.at(j.Low)}})
	cv.Lines(Target, false, []Point{{x0, y.at(j.Target)}, {x1, y.at(j.Target)}})
	cv.Lines(Frame, false, []Point{{x0, y.high}, {x0, y.low}, {x1, y.low}})
}
