package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"fairbore/analysis"
)

// Expansion is a coefficient of linear thermal expansion with its own standard
// uncertainty, both in 10⁻⁶ per kelvin.
type Expansion struct {
	Alpha float64 `json:"alpha_1e_6_per_k"`
	U     float64 `json:"alpha_u_1e_6_per_k"`
}

// BoreInput is what the uncertainty of one size is made of, in a comparison of
// a bore with a setting ring by a gauge. What is 0 is left out of the budget.
type BoreInput struct {
	Size  analysis.Length    `json:"size_mm"`          // of the bore, near enough
	RingU analysis.Deviation `json:"ring_u_um"`        // expanded, from the certificate
	RingK float64            `json:"ring_k,omitempty"` // its coverage factor; 0 means 2

	// Repeat is the standard deviation of one captured value, found from n
	// values with RepeatFreedom = n - 1 (0: known from long experience).
	// Readings is how many captured values the size is the mean of, Master how
	// many set the zero (0: their scatter is in another line already).
	Repeat        analysis.Deviation `json:"repeat_sd_um"`
	RepeatFreedom float64            `json:"repeat_degrees_of_freedom,omitempty"`
	Readings      int                `json:"readings"`
	Master        int                `json:"master_readings,omitempty"`
	// Capture is the standard uncertainty the capture itself gives to this
	// value. It stands in for Repeat/√Readings where it is larger.
	Capture analysis.Deviation `json:"capture_u_um,omitempty"`

	Drift      analysis.Deviation `json:"drift_um,omitempty"`      // ± since the last good check
	Contact    analysis.Deviation `json:"contact_u_um,omitempty"`  // contact, form, centring; standard
	Resolution analysis.Deviation `json:"resolution_um,omitempty"` // the step of the gauge's digits
	// Indentation is ± what the tips sink in deeper in the part than in the
	// ring, as far as it isn't corrected.
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
	// GainU is the standard uncertainty of the gauge's gain, a bare number, and Away
	// how far the size is from the ring that set the zero: the further, the more of
	// it is in the size.
	GainU float64         `json:"gain_u,omitempty"`
	Away  analysis.Length `json:"from_ring_mm,omitempty"`
	// Cooling is the standard uncertainty of what was taken off for a part that was warmer
	// than its surroundings, as its cooling told.
	Cooling analysis.Deviation `json:"cooling_u_um,omitempty"`
	// Averaging is what a gauge that averages its samples, or lags, leaves in a size that
	// was rocked.
	Averaging Averaging `json:"averaging"`

	Ring Expansion `json:"ring_expansion"`
	Part Expansion `json:"part_expansion"`
	// SameMaterial is the correlation of the two expansion coefficients, 0 to 1.
	SameMaterial float64 `json:"expansion_correlation,omitempty"`
	// RingFrom20 is how far the ring is from 20 °C, RingWithin the ± limits of
	// that; PartFromRing and PartWithin the same of part minus ring.
	RingFrom20   analysis.Temperature `json:"ring_from_20_cel"`
	RingWithin   analysis.Temperature `json:"ring_within_cel,omitempty"`
	PartFromRing analysis.Temperature `json:"part_from_ring_cel"`
	PartWithin   analysis.Temperature `json:"part_within_cel,omitempty"`

	// Bases says how inputs are known, by the names of their lines; a line that is not
	// named has the basis that is usual of it.
	Bases map[string]Basis `json:"bases,omitempty"`
}

// Averaging is what is known of q = T²/12 + τ² of a gauge that takes the mean over T and
// lags by τ, and how much of it is in a size. A value that is rocked is read too large by
// m·q, with the mean square speed m of the excess's root at square. The ring that set the
// zero was rocked too, so that its mean m is taken off every size with the zero: both
// hold the same q, fully correlated, and
//
//	size = ring + (shown − m q) − (shown of the ring − m̄ q)
//
// has the sensitivity −(m − m̄) to q and none to what they have in common. Of the
// difference of two sizes it is that of their own two m, without the ring's.
type Averaging struct {
	Square    float64 `json:"square_s2"`              // q that is taken off; 0: nothing is
	HalfWidth float64 `json:"within_s2,omitempty"`    // ± of q, rectangular; or
	U         float64 `json:"square_u_s2,omitempty"`  // its standard uncertainty
	Motion    float64 `json:"motion_um_s2,omitempty"` // largest |m − m̄|, µm/s²
	Basis     Basis   `json:"basis,omitempty"`
	Source    string  `json:"source,omitempty"` // as of a [Line]
}

// Lines of a bore's budget, by their codes.
const (
	LineRing        = "ring"           // the certified size of the setting ring
	LineRepeat      = "repeat"         // scatter of readings, of the size and of the zero
	LineCapture     = "capture"        // scatter within one capture that was worse than usual
	LineDrift       = "drift"          // of the zero
	LineApart       = "part_from_ring" // temperature of the part less that of the ring
	LineFrom20      = "from_20"        // temperature of the ring less 20 °C
	LinePartAlpha   = "part_alpha"     // expansion of the part
	LineRingAlpha   = "ring_alpha"     // expansion of the ring
	LineContact     = "contact"        // contact, form and centring
	LineResolution  = "resolution"     // the step of the digits
	LineIndentation = "indentation"    // of the tips into the part
	LineGain        = "gain"           // of the gauge
	LineGradient    = "gradient"       // temperature along the part
	LineCooling     = "cooling"        // warmth of the part by how it cooled
	LineAveraging   = "averaging"      // of the gauge over time
)

// usual is how the input of a line is known as a rule.
func usual(line string) Basis {
	switch line {
	case LineCapture, LineGain, LineCooling:
		return ByMeasurement
	case LinePartAlpha, LineRingAlpha: // of the material as a whole, not of this piece
		return ByAssumption
	}
	return ByStatement
}

// Bore works out the budget of one size. The model is that of JCGM 100:2008,
// H.1, with the temperature terms written in the two quantities that are known
// apart: how far the ring is from 20 °C, and the part from the ring:
//
//	size at 20 °C = ring + (part − ring as gauged) − D [(αp − αr) θr + αp δ]
//
// It fails when the ring's uncertainty, the repeatability or the size isn't
// given: without them there is no budget, only a hope.
func Bore(in BoreInput) (Budget, error) {
	if err := in.check(); err != nil {
		return Budget{}, fmt.Errorf("budget of a bore: %w", err)
	}
	m := Model{Of: "bore"}
	m.add(Line{Name: LineRing, Type: B, Distribution: Normal, HalfWidth: um(in.RingU), Divisor: in.RingK, Sensitivity: 1, Source: "certificate"})
	m.repeats(&in)
	m.rectangle(LineDrift, in.Drift, "since_check")
	m.temperatures(&in)
	m.cooling(in.Cooling)
	m.add(Line{Name: LineContact, Type: B, Distribution: Normal, Standard: um(in.Contact), Sensitivity: 1, Source: "judgement"})
	m.rectangle(LineResolution, (in.Resolution+1)/2, "half_step")
	m.rectangle(LineIndentation, in.Indentation, "not_corrected")
	m.gain(in.GainU, in.Away)
	m.averaging(&in.Averaging)
	m.base(in.Bases)
	return m.Budget()
}

// repeats adds the scatter of the size and of the zero. Both rest on the same
// standard deviation, so they are one line with one number of degrees of
// freedom, unless the capture of this size was worse than usual.
func (m *Model) repeats(in *BoreInput) {
	size, zero := 1/float64(in.Readings), 0.0
	if in.Master > 0 {
		zero = 1 / float64(in.Master)
	}
	if c := um(in.Capture); c > um(in.Repeat)*math.Sqrt(size) {
		m.add(Line{Name: LineCapture, Type: A, Distribution: Normal, Standard: c, Sensitivity: 1, Source: "capture"})
		size = 0
	}
	if size+zero > 0 {
		m.add(Line{Name: LineRepeat, Type: A, Distribution: Normal, Standard: um(in.Repeat), Freedom: in.RepeatFreedom, Sensitivity: math.Sqrt(size + zero), Source: "mastering"})
	}
}

var errGain = errors.New("the uncertainty of a gain is a number from 0 to 1")

var errAveraging = errors.New("what is known of a gauge's averaging can't be negative")

func (a *Averaging) sound() bool { return min(a.Square, a.HalfWidth, a.U, a.Motion) >= 0 } // nor NaN

// averaging adds how well the averaging of the gauge is known.
func (m *Model) averaging(a *Averaging) {
	l := Line{Name: LineAveraging, Type: B, Distribution: Rectangular, Unit: "s2", Estimate: a.Square, HalfWidth: a.HalfWidth, Sensitivity: -a.Motion, Source: a.Source, Basis: a.Basis}
	if a.HalfWidth == 0 {
		l.Distribution, l.Standard = Normal, a.U
	}
	m.add(l)
}

// base says of each line how its input is known.
func (m *Model) base(known map[string]Basis) {
	for i := range m.Lines {
		l := &m.Lines[i]
		switch b, ok := known[l.Name]; {
		case ok:
			l.Basis = b
		case l.Basis == "":
			l.Basis = usual(l.Name)
		}
	}
}

// cooling adds how well the warmth of a part is known by its cooling.
func (m *Model) cooling(u analysis.Deviation) {
	m.add(Line{Name: LineCooling, Type: A, Distribution: Normal, Standard: um(u), Sensitivity: 1, Source: "cooling_fit"})
}

func (in *BoreInput) check() error {
	switch {
	case in.Size <= 0 || in.Size > 10_000*analysis.Millimetre:
		return errors.New("give the size of the bore")
	case in.RingU <= 0:
		return errors.New("give the ring's uncertainty from its certificate")
	case in.Repeat <= 0:
		return errors.New("give the repeatability of the gauge; master it with three readings or more")
	case in.Readings < 1 || in.Master < 0:
		return errors.New("say how many readings the size is the mean of")
	case min(in.Capture, in.Drift, in.Contact, in.Resolution, in.Indentation, in.Cooling) < 0 || min(in.RingWithin, in.PartWithin) < 0:
		return errors.New("an uncertainty or a limit can't be negative")
	case !(in.GainU >= 0 && in.GainU <= 1):
		return errGain
	case !in.Averaging.sound():
		return errAveraging
	case !(min(in.Part.U, in.Ring.U) >= 0):
		return errors.New("the spread of an expansion coefficient can't be negative")
	}
	return nil
}

// temperatures adds what temperature does to a comparison. Products of two
// unknowns are kept, since at an estimate of 20 °C the first order vanishes.
func (m *Model) temperatures(in *BoreInput) {
	d := analysis.Length(in.Size).Micrometres() * 1e-6 // µm per 10⁻⁶
	apart, from20 := in.PartFromRing.Degrees(), in.RingFrom20.Degrees()
	m.add(Line{Name: LineApart, Type: B, Distribution: Rectangular, Unit: "K", Estimate: apart, HalfWidth: in.PartWithin.Degrees(), Sensitivity: -d * in.Part.Alpha, Source: "shop"})
	m.add(Line{Name: LineFrom20, Type: B, Distribution: Rectangular, Unit: "K", Estimate: from20, HalfWidth: in.RingWithin.Degrees(), Sensitivity: -d * (in.Part.Alpha - in.Ring.Alpha), Source: "shop"})
	m.add(Line{Name: LinePartAlpha, Type: B, Distribution: Normal, Unit: "1e-6/K", Estimate: in.Part.Alpha, Standard: in.Part.U, Sensitivity: -d * (from20 + apart), Source: "materials"})
	m.add(Line{Name: LineRingAlpha, Type: B, Distribution: Normal, Unit: "1e-6/K", Estimate: in.Ring.Alpha, Standard: in.Ring.U, Sensitivity: d * from20, Source: "materials"})
	m.product(LinePartAlpha, LineApart, -d)
	m.product(LinePartAlpha, LineFrom20, -d)
	m.product(LineRingAlpha, LineFrom20, d)
	if in.SameMaterial != 0 && m.has(LinePartAlpha) && m.has(LineRingAlpha) {
		m.Correlations = append(m.Correlations, Correlation{LinePartAlpha, LineRingAlpha, in.SameMaterial})
	}
}

// DifferenceInput is what the uncertainty of the difference of two sizes of
// one bore is made of (a form error): the ring, the zero and the common
// temperature cancel.
type DifferenceInput struct {
	Size          analysis.Length      `json:"size_mm"`
	Repeat        analysis.Deviation   `json:"repeat_sd_um"`
	RepeatFreedom float64              `json:"repeat_degrees_of_freedom,omitempty"`
	Readings      int                  `json:"readings"` // captured values in each size
	Drift         analysis.Deviation   `json:"drift_um,omitempty"`
	Contact       analysis.Deviation   `json:"contact_u_um,omitempty"`
	Resolution    analysis.Deviation   `json:"resolution_um,omitempty"`
	Part          Expansion            `json:"part_expansion"`
	Along         analysis.Temperature `json:"along_within_cel,omitempty"` // ± between the two places
	// Cooling is the largest standard uncertainty of what the cooling took off a size.
	// The two have it in common, and it falls with time, so that the difference has no
	// more of it than that.
	Cooling analysis.Deviation `json:"cooling_u_um,omitempty"`
	// GainU is the standard uncertainty of the gauge's gain, a bare number, and Apart the
	// largest difference that is stated: a gain that is off stretches a difference as it
	// stretches a size, in proportion (geometry: d(gain × shown) = shown × d gain).
	GainU float64         `json:"gain_u,omitempty"`
	Apart analysis.Length `json:"difference_mm,omitempty"`
	// Averaging is as of one size, with the largest difference of two speeds.
	Averaging Averaging        `json:"averaging"`
	Bases     map[string]Basis `json:"bases,omitempty"` // as of one size
}

// Difference works out the budget of a form error, in µm. What the two sizes have in
// common cancels; what does not is the scatter of both, and what grows with their
// difference. It fails without a size, a repeatability and a number of readings, and for
// what is negative.
// Source: JCGM 100:2008, 5.2.2.
func Difference(in DifferenceInput) (Budget, error) {
	switch {
	case in.Size <= 0 || in.Size > 10_000*analysis.Millimetre:
		return Budget{}, errors.New("budget of a form error: give the size of the bore")
	case in.Repeat <= 0 || in.Readings < 1:
		return Budget{}, errors.New("budget of a form error: give the repeatability of the gauge and how many readings a size is the mean of")
	case min(in.Drift, in.Contact, in.Resolution, in.Cooling) < 0 || in.Along < 0 || in.Apart < 0:
		return Budget{}, errors.New("budget of a form error: an uncertainty, a limit or a difference can't be negative")
	case !(in.GainU >= 0 && in.GainU <= 1):
		return Budget{}, fmt.Errorf("budget of a form error: %w", errGain)
	case !in.Averaging.sound():
		return Budget{}, fmt.Errorf("budget of a form error: %w", errAveraging)
	}
	m := Model{Of: "difference"}
	two := math.Sqrt2 // two independent values
	m.add(Line{Name: LineRepeat, Type: A, Distribution: Normal, Standard: um(in.Repeat) / math.Sqrt(float64(in.Readings)), Freedom: in.RepeatFreedom, Sensitivity: two, Source: "mastering"})
	m.rectangle(LineDrift, in.Drift, "between_readings")
	m.add(Line{Name: LineGradient, Type: B, Distribution: Rectangular, Unit: "K", HalfWidth: in.Along.Degrees(), Sensitivity: in.Size.Micrometres() * 1e-6 * in.Part.Alpha, Source: "shop"})
	m.add(Line{Name: LineContact, Type: B, Distribution: Normal, Standard: um(in.Contact), Sensitivity: two, Source: "judgement"})
	m.add(Line{Name: LineResolution, Type: B, Distribution: Rectangular, HalfWidth: um((in.Resolution + 1) / 2), Sensitivity: two, Independent: 2, Source: "half_step"})
	m.cooling(in.Cooling)
	m.gain(in.GainU, in.Apart)
	m.averaging(&in.Averaging)
	m.base(in.Bases)
	return m.Budget()
}

// gain adds how well the gauge's gain is known, over a distance.
func (m *Model) gain(u float64, over analysis.Length) {
	if over != 0 {
		m.add(Line{Name: LineGain, Type: B, Distribution: Normal, Unit: "1", Standard: u, Sensitivity: over.Micrometres(), Source: "second_ring"})
	}
}

func um(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }

// add appends a line, in µm if it has no unit, unless it is of no width.
func (m *Model) add(l Line) {
	if l.HalfWidth == 0 && l.Standard == 0 {
		return
	}
	if l.Unit == "" {
		l.Unit = "um"
	}
	m.Lines = append(m.Lines, l)
}

func (m *Model) rectangle(name string, half analysis.Deviation, source string) {
	m.add(Line{Name: name, Type: B, Distribution: Rectangular, HalfWidth: um(half), Sensitivity: 1, Source: source})
}

func (m *Model) product(a, b string, c float64) {
	if m.has(a) && m.has(b) {
		m.Products = append(m.Products, Product{A: a, B: b, Coefficient: c})
	}
}

func (m *Model) has(name string) bool {
	for i := range m.Lines {
		if m.Lines[i].Name == name {
			return true
		}
	}
	return false
}
