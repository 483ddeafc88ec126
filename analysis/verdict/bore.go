package verdict

import (
	"cmp"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// State is the verdict on a bore in the words of the trade, while the bore is being honed.
type State string

// The states. A bore below the low limit is not a reject, because it can still be honed.
const (
	StockToGo   State = "stock to go"
	InSize      State = "in size"
	OutOfForm   State = "in size, out of form"
	Over        State = "over"
	TooClose    State = "too close to call"
	CannotJudge State = "cannot judge"
)

// largest is the largest diameter that is accepted, as in [analysis.Job.Check].
const largest = 1000 * analysis.Millimetre

// Input is what a verdict is based on.
type Input struct {
	Job *analysis.Job
	// Readings are the readings to judge: the readings of this round that are not void. Each of
	// several readings at one place counts. A reading at a place that is not in the plan counts
	// too.
	Readings []analysis.Reading
	Size     uncertainty.Stated // uncertainty of one size
	Form     uncertainty.Stated // uncertainty of the difference of two sizes
	Rule     Rule
	Lot      Lot // finished parts, for the chances of the worst sizes; no decision is based on them
	// Invalid lists the reasons why no size may be trusted now, such as no mastering, a failed check or a
	// warm part. If there is any, nothing is judged.
	Invalid []analysis.Phrase
}

// Local is the judgement of one reading.
type Local struct {
	analysis.Place
	Size      analysis.Length    `json:"size_mm"`
	Deviation analysis.Deviation `json:"deviation_um"` // from nominal
	Decision  Decision           `json:"decision"`
	Side      Side               `json:"side,omitempty"`
	// Probability is the probability that the true size is within the limits (normal, with a flat prior).
	// It is 0 or 1 when no uncertainty is stated.
	Probability float64 `json:"probability"`
	// Chance is the same probability with the prior from the lot, if the lot gives one. It is set
	// for the smallest and the largest size only.
	Chance *Chance `json:"chance,omitempty"`
}

// Sizes is the judgement of all local sizes together.
type Sizes struct {
	N        int      `json:"readings"`
	Decision Decision `json:"decision"`
	Side     Side     `json:"side,omitempty"`
	Zone     Zone     `json:"zone"`
	// TestRatio is tolerance / 2U; 0 when no uncertainty is stated.
	TestRatio float64 `json:"test_ratio,omitempty"`
	Fit       Fit     `json:"fit,omitempty"`
	Smallest  *Local  `json:"smallest,omitempty"`
	Largest   *Local  `json:"largest,omitempty"`
	// Stock is the distance from the smallest size up to the low limit. It is negative when that
	// size is above the low limit. Room is the distance from the largest size up to the high limit.
	// It is negative when that size is above the high limit.
	Stock analysis.Deviation `json:"stock_um"`
	Room  analysis.Deviation `json:"left_to_high_um"`
	// Worst is the smallest conformance probability of any reading, with a flat prior. The probability
	// that all readings conform is not higher than Worst. It is not the product of the readings'
	// probabilities, because the readings share a zero.
	Worst  float64 `json:"worst_probability"`
	Locals []Local `json:"locals,omitempty"` // by depth, then angle, then size
}

// Bore is the verdict on a bore.
type Bore struct {
	Decision Decision        `json:"decision"`
	State    State           `json:"state"`
	Side     Side            `json:"side,omitempty"` // the limit that State is about
	Sentence analysis.Phrase `json:"sentence"`
	Rule     Rule            `json:"rule"`
	Sizes    Sizes           `json:"sizes"`
	// Form holds the characteristics that the job asks for.
	Form    []Characteristic  `json:"form,omitempty"`
	Plugs   *Plugs            `json:"plugs,omitempty"`
	Stop    Stop              `json:"stop"`
	Missing []analysis.Place  `json:"missing,omitempty"` // planned, not gauged
	Invalid []analysis.Phrase `json:"invalid,omitempty"`
}

// Judge works out the verdict. The order of the readings makes no difference.
func Judge(in Input) Bore {
	b := Bore{Rule: in.Rule, Decision: NotJudged, State: CannotJudge, Invalid: slices.Clone(in.Invalid)}
	b.Sizes.Decision = NotJudged
	zone, err := NewZone(in.Job.Low, in.Job.High, in.Rule, in.Size)
	if err != nil {
		b.Invalid = append(b.Invalid, analysis.Say("verdict.invalid.limits", analysis.Reason(err)))
	}
	b.Sizes.Zone = zone
	b.Sizes.TestRatio, b.Sizes.Fit = fit(in.Job.Low, in.Job.High, false, in.Size)
	readings := sorted(in.Readings)
	for i := range readings {
		if s := readings[i].Size; s <= 0 || s > largest {
			b.Invalid = append(b.Invalid, analysis.Say("verdict.invalid.size", readings[i].Place))
		}
	}
	b.Missing = missing(in.Job, readings)
	if len(readings) > 0 && len(b.Invalid) == 0 {
		b.Sizes.judge(readings, in.Job.Nominal)
		b.Sizes.chances(&in.Lot)
		b.Form = form(&in, readings, len(b.Missing) == 0)
		p := plugs(&b.Sizes)
		b.Plugs = &p
		b.decide()
	}
	b.Stop, b.Sentence = stop(&b), sentence(&b)
	return b
}

func sorted(readings []analysis.Reading) []analysis.Reading {
	s := slices.Clone(readings)
	slices.SortStableFunc(s, func(a, b analysis.Reading) int {
		return cmp.Or(cmp.Compare(a.Depth, b.Depth), cmp.Compare(a.Angle, b.Angle), cmp.Compare(a.Size, b.Size))
	})
	return s
}

// missing returns the planned places without a reading, in the order of the plan.
func missing(j *analysis.Job, sorted []analysis.Reading) (places []analysis.Place) {
	for _, p := range j.Plan() {
		_, found := slices.BinarySearchFunc(sorted, p, func(r analysis.Reading, p analysis.Place) int {
			return cmp.Or(cmp.Compare(r.Depth, p.Depth), cmp.Compare(r.Angle, p.Angle))
		})
		if !found {
			places = append(places, p)
		}
	}
	return places
}

func (s *Sizes) judge(readings []analysis.Reading, nominal analysis.Length) {
	s.N, s.Decision, s.Worst = len(readings), Conforms, 1
	s.Locals = make([]Local, len(readings))
	small, large := 0, 0
	for i, r := range readings {
		l := Local{Place: r.Place, Size: r.Size, Deviation: analysis.Deviation(r.Size - nominal)}
		l.Decision, l.Side = s.Zone.Decide(r.Size)
		l.Probability = s.Zone.Probability(r.Size)
		s.Locals[i] = l
		if r.Size < s.Locals[small].Size {
			small = i
		}
		if r.Size > s.Locals[large].Size {
			large = i
		}
		s.Worst = min(s.Worst, l.Probability)
		s.Decision = worse(s.Decision, l.Decision)
	}
	least, most := s.Locals[small], s.Locals[large]
	s.Smallest, s.Largest = &least, &most
	s.Stock = analysis.Deviation(s.Zone.Low - least.Size)
	s.Room = analysis.Deviation(s.Zone.High - most.Size)
	s.Side = s.side()
}

// chances sets the chances of the worst sizes.
func (s *Sizes) chances(lot *Lot) {
	for _, x := range []struct {
		local *Local
		lot   []analysis.Length
	}{{s.Smallest, lot.Smallest}, {s.Largest, lot.Largest}} {
		c := s.Zone.lot(x.local.Size, worstOf(x.lot), lot.Own)
		x.local.Chance = &c
	}
}

// side returns the limit that is in doubt or exceeded. The high limit takes precedence.
func (s *Sizes) side() Side {
	switch {
	case s.Largest.Size > s.Zone.AcceptHigh:
		return Above
	case s.Smallest.Size < s.Zone.AcceptLow:
		return Under
	}
	return Inside
}

// decide sets the decision and state of the bore from its parts.
func (b *Bore) decide() {
	z := &b.Sizes.Zone
	b.Decision, b.Side = b.Sizes.Decision, b.Sizes.Side
	switch {
	case b.Sizes.Largest.Size > z.RejectHigh:
		b.State = Over
	case b.Side == Above:
		b.State = TooClose
	case b.Sizes.Smallest.Size < z.RejectLow:
		b.State = StockToGo
	case b.Side == Under:
		b.State = TooClose
	default:
		b.decideForm()
	}
	for i := range b.Form {
		b.Decision = worse(b.Decision, b.Form[i].Decision)
	}
	if len(b.Missing) > 0 {
		b.Decision = worse(b.Decision, NotJudged)
	}
}

// decideForm sets the state of a bore whose sizes conform so far.
func (b *Bore) decideForm() {
	d := Conforms
	for i := range b.Form {
		d = worse(d, b.Form[i].Decision)
	}
	switch {
	case d == DoesNotConform:
		b.State = OutOfForm
	case d == Uncertain:
		b.State = TooClose
	case d == NotJudged || len(b.Missing) > 0:
		b.State = CannotJudge
	default:
		b.State = InSize
	}
}
