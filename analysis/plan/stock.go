package plan

import (
	"strings"

	"fairbore/analysis"
)

// Process says how the bore is made before it is honed.
type Process uint8

// The processes.
const (
	NoProcess Process = iota // not stated
	Reamed
	Bored
	Ground
	Drilled
	Pressed // a bush was pressed in
)

var processNames = [...]string{"", "reamed", "bored", "ground", "drilled", "pressed"}

// String returns the word for the process in a request.
func (p Process) String() string { return processNames[min(int(p), len(processNames)-1)] }

// MarshalText writes the word of String.
func (p Process) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

func (p Process) phrase() analysis.Phrase { return analysis.Say("plan.process." + p.String()) }

// UnmarshalText reads a process: reamed, bored, ground, drilled or pressed.
func (p *Process) UnmarshalText(b []byte) error {
	for i, name := range processNames {
		if strings.EqualFold(name, string(b)) {
			*p = Process(i)
			return nil
		}
	}
	return analysis.Say("plan.fault.process", string(b))
}

// Band is a range of stock on the diameter.
type Band struct {
	Low  analysis.Deviation `json:"low_um"`
	High analysis.Deviation `json:"high_um"`
}

// stockBands is the usual stock for honing in µm. A row is for sizes above over, up to and
// including upTo. The columns are the processes from Reamed to Pressed. The values are common
// practice, not from a standard. {0, 0} means that nobody would hone after that process.
var stockBands = [...]struct {
	over, upTo int // mm
	um         [5][2]analysis.Deviation
}{
	{6, 13, [5][2]analysis.Deviation{{25, 50}, {40, 75}, {8, 15}, {75, 150}, {40, 75}}},
	{13, 25, [5][2]analysis.Deviation{{40, 75}, {50, 100}, {12, 25}, {100, 200}, {50, 100}}},
	{25, 50, [5][2]analysis.Deviation{{50, 100}, {75, 125}, {15, 30}, {150, 250}, {75, 125}}},
	{50, 100, [5][2]analysis.Deviation{{75, 125}, {100, 200}, {25, 50}, {0, 0}, {100, 150}}},
}

// StockBand returns the usual stock to leave for honing on a bore (common practice). It fails
// for bores outside 6 to 100 mm, if the process is not stated, and if nobody would hone a
// bore of this size after the process.
func StockBand(bore analysis.Length, p Process) (Band, error) {
	if p == NoProcess || p > Pressed {
		return Band{}, analysis.Say("plan.fault.no_process")
	}
	um := analysis.Deviation(analysis.Micrometre)
	for i, r := range stockBands {
		over := analysis.Length(r.over) * analysis.Millimetre
		if (bore > over || bore == over && i == 0) && bore <= analysis.Length(r.upTo)*analysis.Millimetre {
			b := r.um[p-Reamed]
			if b[1] == 0 {
				return Band{}, analysis.Say("plan.fault.rough_process", analysis.Size(bore), p.phrase())
			}
			return Band{b[0] * um, b[1] * um}, nil
		}
	}
	return Band{}, analysis.Say("plan.fault.stock_table", analysis.Size(bore))
}

// margin is by how much the least stock is larger than the errors that it must remove (common
// practice).
const margin = analysis.Deviation(10 * analysis.Micrometre)

// LeastStock returns the stock that is needed to remove the out-of-roundness, the taper and,
// on both walls, the damaged layer of a bore. It adds a margin of 10 µm. The formula is
// geometry. The margin is common practice.
func LeastStock(oval, taper, damage analysis.Deviation) analysis.Deviation {
	return oval + taper + 2*damage + margin
}

// StockPlan is the stock to leave on the diameter.
type StockPlan struct {
	Band   *Band              `json:"band,omitempty"` // the usual band, or the shop's own
	Own    bool               `json:"band_is_own,omitempty"`
	Least  analysis.Deviation `json:"least_um"` // least stock that removes all errors
	Wanted analysis.Deviation `json:"wanted_um"`
	Start  analysis.Length    `json:"start_size_mm"` // size to make the bore to before honing
	Rounds int                `json:"rounds"`        // an estimate
}

// planStock chooses the stock if the request does not state it, and checks it.
func (r *Request) planStock(target analysis.Length) (s StockPlan, n notes) {
	s.Least = LeastStock(r.Oval, r.Taper, r.Damage)
	switch b, err := StockBand(target, r.Process); {
	case r.Band != nil:
		s.Band, s.Own = r.Band, true
	case err != nil:
		n.add(Remark, "no_band", err)
	default:
		s.Band = &b
	}
	s.Wanted = r.Stock
	if s.Wanted == 0 {
		s.Wanted = s.Least
		if s.Band != nil {
			s.Wanted = max(s.Least, (s.Band.Low+s.Band.High)/2)
		}
	}
	if r.Damage == 0 {
		n.add(Remark, "damage")
	}
	switch {
	case s.Wanted < s.Least:
		n.add(Warning, "stock_least", s.Wanted, s.Least)
	case s.Own && s.Wanted < s.Band.Low:
		n.add(Warning, "stock_less_own", s.Wanted, s.Band.Low, s.Band.High)
	case s.Own && s.Wanted > s.Band.High:
		n.add(Warning, "stock_more_own", s.Wanted, s.Band.Low, s.Band.High)
	case s.Band != nil && s.Wanted < s.Band.Low:
		n.add(Warning, "stock_less", s.Wanted, s.Band.Low, s.Band.High, r.Process.phrase())
	case s.Band != nil && s.Wanted > s.Band.High:
		n.add(Warning, "stock_more", s.Wanted, s.Band.Low, s.Band.High, r.Process.phrase())
	}
	s.Start = target - analysis.Length(s.Wanted)
	return s, n
}

// Text returns the stock as phrases.
func (s StockPlan) Text() []analysis.Phrase {
	start, rounds := analysis.Size(s.Start), analysis.Say("plan.rounds", s.Rounds)
	leave := analysis.Say("plan.stock", s.Wanted, start)
	switch {
	case s.Own:
		leave = analysis.Say("plan.stock_own", s.Wanted, start, s.Band.Low, s.Band.High)
	case s.Band != nil:
		leave = analysis.Say("plan.stock_usual", s.Wanted, start, s.Band.Low, s.Band.High)
	}
	if s.Rounds == 1 {
		rounds = analysis.Say("plan.one_round")
	}
	return []analysis.Phrase{leave, analysis.Say("plan.stock_least", s.Least), rounds}
}

// endGame is the stock up to which a round may take three quarters of it instead of half
// (common practice).
const endGame = analysis.Deviation(6 * analysis.Micrometre)

// mostRounds limits the count if the bite is absurdly small for the stock.
const mostRounds = 100

// Rounds estimates how many rounds of honing are needed until no more than near of the stock
// is left. Each round takes half of what is left (three quarters from 6 µm down), but at most
// bite (0: no limit). This is common practice. Rounds returns at most 100.
func Rounds(stock, bite, near analysis.Deviation) int {
	near = max(near, analysis.Deviation(analysis.Micrometre)/10)
	n := 0
	for ; stock > near && n < mostRounds; n++ {
		take := stock / 2
		if stock <= endGame {
			take = stock * 3 / 4
		}
		if bite > 0 {
			take = min(take, bite)
		}
		stock -= max(take, 1)
	}
	return n
}
