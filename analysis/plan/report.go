package plan

import (
	"errors"
	"slices"

	"fairbore/analysis"
)

// Report is a plan for one bore. On the wire, lengths are in mm and deviations in µm.
type Report struct {
	Title string          `json:"title,omitempty"`
	Class string          `json:"class,omitempty"`
	Hone  analysis.Limits `json:"hone"` // limits and finish target, at 20 °C
	Stock StockPlan       `json:"stock"`
	Press *PressPlan      `json:"press,omitempty"`
	Gauge *GaugeCheck     `json:"gauge,omitempty"`
	Notes []Note          `json:"notes"` // the most important first
}

// PressPlan describes the bush before and after pressing in.
type PressPlan struct {
	Closure
	Before     analysis.Length    `json:"bush_bore_before_mm"`
	Given      bool               `json:"bush_bore_given"` // the bush already exists, with this bore
	After      analysis.Length    `json:"bore_after_mm"`   // forecast
	AfterLeast analysis.Length    `json:"bore_after_least_mm"`
	AfterMost  analysis.Length    `json:"bore_after_most_mm"`
	StockLeast analysis.Deviation `json:"stock_least_um"` // stock if the bush closes the least
	StockMost  analysis.Deviation `json:"stock_most_um"`  // stock if the bush closes the most
}

// New plans a bore. It fails if the request can't be worked to. The error names every fault.
func New(r Request) (*Report, error) {
	lim, n, err := r.limits()
	if err = errors.Join(err, r.check()); err != nil {
		return nil, err
	}
	if r.Press != nil {
		r.Process = Pressed
	}
	rep := &Report{Title: r.Title, Class: r.Class, Hone: lim}
	r.noteTooling(lim, &n)
	stock, more := r.planStock(lim.Target)
	rep.Stock, n = stock, append(n, more...)
	if r.Press != nil {
		press, more, err := r.planPress(lim.Target, stock)
		if err != nil {
			return nil, err
		}
		rep.Press, n = press, append(n, more...)
		if press.Given {
			rep.Stock.Start, rep.Stock.Wanted = press.After, analysis.Deviation(lim.Target-press.After)
		}
	} else if r.Entry > 0 && stock.Start < r.Entry {
		n.add(Stop, "mandrel", analysis.Size(r.Entry), analysis.Size(stock.Start))
	}
	// A bore that is in size before honing is still honed once, for its surface.
	rep.Stock.Rounds = max(1, Rounds(rep.Stock.Wanted, r.Bite, analysis.Deviation(lim.Target-lim.Low)))
	if r.Gauge != nil {
		c, more, err := CheckGauge(*r.Gauge, lim)
		if err != nil {
			return nil, err
		}
		rep.Gauge, n = &c, append(n, more...)
		if c.AcceptHigh > c.AcceptLow && (lim.Target < c.AcceptLow || lim.Target > c.AcceptHigh) {
			n.add(Warning, "target", analysis.Size(lim.Target), analysis.Size(c.AcceptLow), analysis.Size(c.AcceptHigh))
		}
	}
	slices.SortStableFunc(n, func(a, b Note) int { return int(b.Weight) - int(a.Weight) })
	rep.Notes = n
	return rep, nil
}

// planPress finds the bore to which the bush should be made. For a bush that already exists,
// it works out the bore after pressing. It checks both ends of the closure band.
func (r *Request) planPress(target analysis.Length, stock StockPlan) (*PressPlan, notes, error) {
	press := *r.Press
	given := press.Bore != 0
	c, err := press.Closure()
	if !given {
		c, err = press.boreFor(stock.Start)
	}
	if err != nil {
		return nil, nil, err
	}
	p := &PressPlan{
		Closure: c, Before: press.Bore, Given: given,
		After:      press.Bore - analysis.Length(c.Forecast),
		AfterLeast: press.Bore - analysis.Length(max(c.BandHigh, c.Forecast)),
		AfterMost:  press.Bore - analysis.Length(min(c.BandLow, c.Forecast)),
	}
	p.StockLeast = analysis.Deviation(target - p.AfterMost)
	p.StockMost = analysis.Deviation(target - p.AfterLeast)
	n := press.notes(c)
	if p.StockLeast < stock.Least {
		n.add(Warning, "closes_little", c.BandLow, p.StockLeast, stock.Least)
	}
	if r.Entry > 0 && p.AfterLeast < r.Entry {
		n.add(Warning, "closes_much", c.BandHigh, analysis.Size(p.AfterLeast), analysis.Size(r.Entry))
	}
	return p, n, nil
}

// mostSteps is the largest number of steps in boreFor. A sensible bush needs two or three.
const mostSteps = 30

// boreFor sets the bush's bore before pressing, so that the bore has the size after once the
// bush is pressed in. A larger bore leaves a thinner wall, and a thinner wall closes a little
// more. boreFor therefore approaches the bore in steps, to within 0.1 nm.
func (p *Press) boreFor(after analysis.Length) (c Closure, err error) {
	p.Bore = after
	for range mostSteps {
		if c, err = p.Closure(); err != nil {
			return c, err
		}
		next := after + analysis.Length(c.Forecast)
		if (next - p.Bore).Abs() <= 1 {
			return c, nil
		}
		if p.Bore = next; next >= p.Outside {
			break
		}
	}
	return c, analysis.Say("plan.fault.thin_wall")
}

func (r *Request) noteTooling(lim analysis.Limits, n *notes) {
	h := toolingHolds[r.Tooling]
	if r.Tooling == NoTooling {
		return
	}
	asked, what := analysis.Deviation(lim.High-lim.Low), "tolerance."
	if r.Form > 0 && r.Form < asked {
		asked, what = r.Form, "form."
	}
	tooling := analysis.Say("plan.tooling." + h.name)
	switch {
	case asked < h.careful:
		n.add(Warning, what+"finer", asked, tooling, h.careful)
	case asked < h.usual:
		n.add(Remark, what+"care", asked, tooling, h.usual)
	}
}

// Text returns the plan without its notes, one phrase for each line: title, limits, press
// fit, stock and gauge.
func (r *Report) Text() []analysis.Phrase {
	var lines []analysis.Phrase
	if r.Title != "" {
		lines = append(lines, analysis.Quote(r.Title))
	}
	lines = append(lines,
		analysis.Say("plan.hone", analysis.Size(r.Hone.Low), analysis.Size(r.Hone.High), analysis.Deviation(r.Hone.High-r.Hone.Low)),
		analysis.Say("plan.target", analysis.Size(r.Hone.Target), analysis.Deviation(r.Hone.Target-r.Hone.Low), analysis.Deviation(r.Hone.High-r.Hone.Target)))
	if r.Press != nil {
		lines = append(lines, r.Press.Text()...)
	}
	lines = append(lines, r.Stock.Text()...)
	if r.Gauge != nil {
		lines = append(lines, r.Gauge.Text()...)
	}
	return lines
}

// Text returns the press fit as phrases.
func (p *PressPlan) Text() []analysis.Phrase {
	code := "plan.press.make"
	if p.Given {
		code = "plan.press.given"
	}
	return append(p.Closure.Text(),
		analysis.Say(code, analysis.Size(p.Before), analysis.Size(p.After), analysis.Size(p.AfterLeast), analysis.Size(p.AfterMost)),
		analysis.Say("plan.press.leaves", p.StockLeast, p.StockMost))
}
