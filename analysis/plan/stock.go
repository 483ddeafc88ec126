package plan

import (
	"strings"

	"fairbore/analysis"
)

// Process is how the bore is made before it is honed.
type Process uint8

// The processes.
const (
	NoProcess Process = iota // not stated
	Reamed
	Bored
	Ground
	Drilled
	Pressed // a bush pressed in
)

var processNames = [...]string{"", "reamed", "bored", "ground", "drilled", "pressed"}

// String returns the process as it is written in a request.
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

// stockBands is the usual stock for honing in µm, by size over the one before
// and up to upTo, and by process Reamed to Pressed: common practice, no
// standard. {0, 0} where nobody would.
var stockBands = [...]struct {
	over, upTo int // mm
	um         [5][2]analysis.Deviation
}{
	{6, 13, [5][2]analysis.Deviation{{25, 50}, {40, 75}, {8, 15}, {75, 150}, {40, 75}}},
	{13, 25, [5][2]analysis.Deviation{{40, 75}, {50, 100}, {12, 25}, {100, 200}, {50, 100}}},
	{25, 50, [5][2]analysis.Deviation{{50, 100}, {75, 125}, {15, 30}, {150, 250}, {75, 125}}},
	{50, 100, [5][2]analysis.Deviation{{75, 125}, {100, 200}, {25, 50}, {0, 0}, {100, 150}}},
}

// StockBand returns the usual stock to leave for honing on a bore (common
// practice). It fails outside 6 to 100 mm and where the process is not stated.
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

// margin is what the least stock has over the errors it must clean up: common
// practice.
const margin = analysis.Deviation(10 * analysis.Micrometre)

// LeastStock returns the stock that cleans up the out-of-roundness, the taper
// and, on both walls, the damaged layer of a bore, with a margin of 10 µm:
// geometry; the margin is common practice.
func LeastStock(oval, taper, damage analysis.Deviation) analysis.Deviation {
	return oval + taper + 2*damage + margin
}

// StockPlan is the stock to leave on the diameter.
type StockPlan struct {
	Band   *Band              `json:"band,omitempty"` // usual, or the shop's own
	Own    bool               `json:"band_is_own,omitempty"`
	Least  analysis.Deviation `json:"least_um"` // that cleans up
	Wanted analysis.Deviation `json:"wanted_um"`
	Start  analysis.Length    `json:"start_size_mm"` // size to make the bore to before honing
	Rounds int                `json:"rounds"`        // about
}

// planStock chooses the stock where the request does not, and checks it.
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

// Text says the stock.
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

// endGame is the stock below which a round may take three quarters of it
// instead of half: common practice.
const endGame = analysis.Deviation(6 * analysis.Micrometre)

// mostRounds ends the count where a bite is absurdly small for the stock.
const mostRounds = 100

// Rounds estimates in how many rounds of honing the stock comes off when each
// takes half of what is left (three quarters below 6 µm), at most bite (0: no
// limit), until no more than near is left: common practice. At most 100.
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
