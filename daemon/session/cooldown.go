package session

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// Source says where the temperature of a part comes from.
type Source string

// The sources. What was measured comes before what the cooling tells.
const (
	BySensor  Source = "sensor"    // a channel of an instrument
	ByEntry   Source = "entry"     // a person has entered it
	ByCooling Source = "cool-down" // how the part cools, see [CoolDown]
)

// CoolDown says that how warm the part is was taken from repeated readings at one place
// while it cooled, or (Ended) that it no longer is. From then on what the part is still
// larger by, which falls as it fell, is taken off each reading. The readings of the round
// before it were taken by a part that was warm by what was not known: they no longer
// count, and their places are due again, the one that was stayed at last, since that
// closes the circle: it must come out where the cooling leads.
//
// It ends with the round, since honing warms the part; with a temperature of the part that
// is measured; with a mastering, a check that failed or a clock that was set; when one of
// its readings is struck out; and when a reading at its place does not fit.
type CoolDown struct {
	Ended bool   `json:"ended,omitempty"`
	Why   string `json:"why,omitempty"` // it ended
	// Wrong says that a reading did not come out where it leads, so that what was
	// corrected by it does not count either.
	Wrong bool `json:"wrong,omitempty"`

	Place    analysis.Place `json:"place"`    // stayed at
	Readings int            `json:"readings"` // that it rests on
	First    int            `json:"first"`    // and their numbers
	Last     int            `json:"last"`
	At       time.Time      `json:"at"` // of the last
	// Final is the size that the readings come to when the part has the temperature of
	// its surroundings, as gauged: not at 20 °C.
	Final  analysis.Length `json:"final_mm"`
	Excess master.Excess   `json:"excess"`
	// Warmer is how far the part is above its surroundings, by its expansion.
	Warmer analysis.Temperature `json:"warmer_k,omitempty"`
	// Surroundings is their temperature, taken for that of the ring, which lies there;
	// nil: not known, and the size is that at their temperature.
	Surroundings *analysis.Temperature `json:"surroundings_cel,omitempty"`
}

// coolDown begins or ends the use of how the part cools.
func (s *Session) coolDown(a Action) error {
	f := &s.fold
	switch {
	case a.Off && f.Cool == nil:
		return errors.New("the part's temperature isn't taken from its cooling")
	case a.Off:
		s.emit(Event{Kind: Cooled, Cool: f.Cool.end(orElse(a.Reason, "left by the operator"), false)})
		return nil
	case f.Part == nil || f.Verdict != nil:
		return errors.New("begin a part first, and gauge one place again and again")
	case f.Warm.Part != nil:
		return fmt.Errorf("the part's temperature is measured, %s; that stands until the next round", *f.Warm.Part)
	}
	if why := s.set.lapsed(f, s.now.Wall); why != "" {
		return errors.New(why)
	}
	c, err := f.coolingNow(&s.set)
	if err != nil {
		return err
	}
	s.emit(Event{Kind: Cooled, Cool: c})
	return nil
}

func (c *CoolDown) end(why string, wrong bool) *CoolDown {
	ended := *c
	ended.Ended, ended.Why, ended.Wrong = true, why, wrong
	return &ended
}

// Sentence says what happened.
func (c *CoolDown) Sentence() string {
	if c.Ended {
		return "The cooling of the part is no longer used: " + c.Why
	}
	return fmt.Sprintf("%s It was told by readings %d to %d at %s.", c.Excess.Still(0, c.Warmer), c.First, c.Last, c.Place)
}

// coolingNow is what the readings in a row at one place say of the part's temperature.
func (f *Fold) coolingNow(set *Settings) (*CoolDown, error) {
	row := f.row()
	c, err := master.PartExcess(f.points(row), f.coolingRules(set))
	if err != nil {
		return nil, err
	}
	first, last := row[0], row[len(row)-1]
	m, err := master.FindMaterial(cmp.Or(f.Job.Material, "steel"))
	if err != nil {
		return nil, err
	}
	return &CoolDown{
		Place: last.Place, Readings: len(row), First: first.No, Last: last.No, At: last.At,
		Final:  c.Final + analysis.Length(c.Remaining) - analysis.Length(c.Excess.Size),
		Excess: *c.Excess, Warmer: c.Excess.Warmer(c.Final, m.Alpha), Surroundings: f.surroundings(),
	}, nil
}

// surroundings is the temperature that a part cools to: that of the ring now, which lies
// in the same place (common practice). It is of use only if the ring's was known when the
// zero was set.
func (f *Fold) surroundings() *analysis.Temperature {
	if f.RingThen == nil {
		return nil
	}
	return f.Warm.Ring
}

// row is the newest readings in a row at one place of the round in hand, with one zero
// and one clock. Those that only the part's warmth keeps from counting are among them.
func (f *Fold) row() (row []*Reading) {
	for _, r := range f.Readings[max(f.begin, f.steady):] {
		if !f.sound(r) {
			continue
		}
		if len(row) > 0 && (r.Place != row[0].Place || r.Mastered != row[0].Mastered) {
			row = row[:0]
		}
		row = append(row, r)
	}
	return row
}

// points are the sizes of a row as they were gauged, at whatever temperature the part
// had; where that was measured, at 20 °C.
func (f *Fold) points(row []*Reading) []master.Warm {
	out := make([]master.Warm, len(row))
	for i, r := range row {
		out[i] = master.Warm{At: r.At.Sub(f.RoundAt), Size: r.asGauged()}
	}
	return out
}

// asGauged is the size without what the cooling took off it.
func (r *Reading) asGauged() analysis.Length {
	if r.PartFrom == ByCooling {
		return r.Size - analysis.Length(r.Thermal)
	}
	return r.Size
}

func (f *Fold) coolingRules(set *Settings) master.CoolingRules {
	tau, basis := master.Expect(f.Job.Material, f.Job.Outside, f.Job.Nominal)
	rules := master.UsualCooling(f.repeat(&set.Gauge), tau)
	rules.Basis = basis
	return rules
}

// cooling looks at the readings at one place, one after the other, for a part that
// is still warm; nil if there are too few in a row.
func (f *Fold) cooling(set *Settings) *master.Cooling {
	row := f.row()
	if len(row) < master.LeastWarm {
		return nil
	}
	c := master.Settle(f.points(row), f.coolingRules(set))
	return &c
}

// warmth is what brings a size, as gauged against the ring, to 20 °C: by the measured
// temperature of the part or, failing that, by how it cools. What the cooling says is
// how much larger the part is than in its surroundings; without their temperature the
// size is brought there and no further. Where nothing is known, nothing is corrected, and
// the doubt is in the budget.
func (f *Fold) warmth(size analysis.Length, at time.Time) (thermal, u analysis.Deviation, from Source) {
	if f.Warm.Part != nil {
		if d, ok := f.to20(size, *f.Warm.Part); ok {
			return d, 0, f.WarmFrom
		}
		return 0, 0, ""
	}
	if f.Cool == nil {
		return 0, 0, ""
	}
	excess, u := f.Cool.Excess.Later(at.Sub(f.Cool.At))
	thermal = -excess
	if t := f.surroundings(); t != nil {
		if d, ok := f.to20(size-analysis.Length(excess), *t); ok {
			thermal += d
		}
	}
	return thermal, u, ByCooling
}

// to20 is what the temperatures of ring and part add to a size gauged against the ring.
// Without that of the ring when the zero was set, or the materials, nothing can be said.
func (f *Fold) to20(size analysis.Length, part analysis.Temperature) (analysis.Deviation, bool) {
	if f.Master == nil || f.RingThen == nil {
		return 0, false
	}
	m, err1 := master.FindMaterial(f.Job.Material)
	ring, err2 := master.FindMaterial(cmp.Or(f.Master.Ring.Material, "steel"))
	if err1 != nil || err2 != nil {
		return 0, false
	}
	t := master.Thermal{Ring: f.Master.Ring.Size, RingAlpha: ring.Alpha, PartAlpha: m.Alpha, RingAt: *f.RingThen, PartAt: part}
	d, err := t.Correction(size)
	return d, err == nil
}

// closes looks at a reading that was just taken where the cooling was watched: one that
// does not come out where it leads ends it.
func (s *Session) closes(r *Reading) {
	c := s.fold.Cool
	if c == nil || r.Place != c.Place || r.PartFrom != ByCooling {
		return
	}
	left, _ := c.Excess.Later(r.At.Sub(c.At))
	off := r.asGauged() - analysis.Length(left) - c.Final
	one := max(s.oneReading(), r.U)
	// Three standard deviations: the reading's, and the excess's as it was, of which what
	// is in doubt later is a part.
	limit := analysis.Length(math.Ceil(3 * math.Hypot(float64(one), float64(c.Excess.U))))
	if off.Abs() <= limit {
		return
	}
	why := fmt.Sprintf("reading %d came out %s µm from where the cooling leads, more than %s: was it laid elsewhere, or held in the hand? Gauge the places again.",
		r.No, off.Format(analysis.UM, 2), limit.Format(analysis.UM, 2))
	s.emit(Event{Kind: Cooled, Cool: c.end(why, true), Source: "gauge"})
	s.live.Hint = why
}

// cool takes in that the cooling is used from here on, or no longer.
func (f *Fold) cool(c *CoolDown) {
	if f.Warmer == nil {
		f.Warmer = map[int]bool{}
	}
	for _, r := range f.Readings[f.begin:] {
		if byCooling := r.PartFrom == ByCooling; byCooling && c.Wrong || !byCooling && !c.Ended {
			f.Warmer[r.No] = true
		}
	}
	f.Cool = nil
	if !c.Ended {
		f.Cool = c
		f.Chosen, f.Staying = nil, false // the plan goes on
	}
	f.stands()
}

// unclosed says what is to be gauged before a part whose sizes rest on its cooling can be
// accepted, "" if nothing: the place where that was watched, after all others.
func (f *Fold) unclosed() string {
	if f.Cool == nil {
		return ""
	}
	now := f.Current(f.Round())
	last := now[f.Cool.Place]
	for _, r := range now {
		if r.PartFrom == ByCooling && (last == nil || r.No > last.No) {
			return fmt.Sprintf("gauge %s once more, after all others: it must come out where the cooling leads", f.Cool.Place)
		}
	}
	return ""
}

// CoolNow is the cooling in use and what it comes to at a moment.
type CoolNow struct {
	CoolDown
	Left     analysis.Deviation `json:"left_um"` // that a reading would have taken off now
	LeftU    analysis.Deviation `json:"left_u_um"`
	Sentence string             `json:"sentence"`
}

func (f *Fold) coolNow(now time.Time) *CoolNow {
	if f.Cool == nil {
		return nil
	}
	after := now.Sub(f.Cool.At)
	n := &CoolNow{CoolDown: *f.Cool, Sentence: f.Cool.Excess.Still(after, f.Cool.Warmer)}
	n.Left, n.LeftU = f.Cool.Excess.Later(after)
	return n
}
