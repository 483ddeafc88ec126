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

// BoreInput holds the inputs for the uncertainty of one size, where a gauge compares a bore with a
// setting ring. An input that is 0 is left out of the budget.
type BoreInput struct {
	Size  analysis.Length    `json:"size_mm"`          // of the bore, approximately
	RingU analysis.Deviation `json:"ring_u_um"`        // expanded, from the certificate
	RingK float64            `json:"ring_k,omitempty"` // its coverage factor; 0 means 2

	// Repeat is the standard deviation of one captured value. It was found from n values, and
	// RepeatFreedom = n - 1 (0: it is known from long experience). Readings is the number of
	// captured values whose mean is the size. Master is the number of captured values that set the
	// zero (0: another component holds their scatter already).
	Repeat        analysis.Deviation `json:"repeat_sd_um"`
	RepeatFreedom float64            `json:"repeat_degrees_of_freedom,omitempty"`
	Readings      int                `json:"readings"`
	Master        int                `json:"master_readings,omitempty"`
	// Capture is the standard uncertainty that the capture itself states for this value. It replaces
	// Repeat/√Readings where it is larger.
	Capture analysis.Deviation `json:"capture_u_um,omitempty"`

	Drift      analysis.Deviation `json:"drift_um,omitempty"`      // half width, since the last good check
	Contact    analysis.Deviation `json:"contact_u_um,omitempty"`  // standard uncertainty of contact, form and centring
	Resolution analysis.Deviation `json:"resolution_um,omitempty"` // step of the gauge's digits
	// Indentation is the half width of the extra depth that the tips sink into the part, compared
	// with the ring. It covers only the depth that is not corrected.
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
	// GainU is the standard uncertainty of the gauge's gain, a pure number. Away is the distance of
	// the size from the ring that set the zero. An error of the gain causes an error in proportion
	// to Away.
	GainU float64         `json:"gain_u,omitempty"`
	Away  analysis.Length `json:"from_ring_mm,omitempty"`
	// Cooling is the standard uncertainty of the correction for a part that was warmer than its
	// surroundings. The correction is estimated from how the part cooled.
	Cooling analysis.Deviation `json:"cooling_u_um,omitempty"`
	// Averaging describes the error that the averaging or lag of the gauge leaves in a rocked size.
	Averaging Averaging `json:"averaging"`

	Ring Expansion `json:"ring_expansion"`
	Part Expansion `json:"part_expansion"`
	// SameMaterial is the correlation of the two expansion coefficients, 0 to 1.
	SameMaterial float64 `json:"expansion_correlation,omitempty"`
	// RingFrom20 is the temperature of the ring less 20 °C, and RingWithin is its half width.
	// PartFromRing is the temperature of the part less that of the ring, and PartWithin is its half
	// width.
	RingFrom20   analysis.Temperature `json:"ring_from_20_cel"`
	RingWithin   analysis.Temperature `json:"ring_within_cel,omitempty"`
	PartFromRing analysis.Temperature `json:"part_from_ring_cel"`
	PartWithin   analysis.Temperature `json:"part_within_cel,omitempty"`

	// Bases says how each input is known, by the name of its component. A component that is not
	// named has its usual basis.
	Bases map[string]Basis `json:"bases,omitempty"`
}

// Averaging describes the error that a gauge makes because it averages over the time T and lags by
// τ while the operator rocks it. The gauge's property is q = T²/12 + τ². A rocked value reads too
// large by m·q. The excess is the reading less the smallest reading of a pass, where the gauge is
// square to the bore. m is the mean square speed of the square root of the excess at that moment.
//
// The ring that set the zero was rocked too, with a mean m̄. The zero takes m̄ q off every size.
// The size and the zero hold the same q, fully correlated, so
//
//	size = ring + (shown − m q) − (shown of the ring − m̄ q)
//
// has the sensitivity −(m − m̄) to q. A part of m that the size and the ring share cancels. The
// sensitivity of a difference of two sizes depends on their own two values of m only, because the
// ring cancels.
type Averaging struct {
	Square    float64 `json:"square_s2"`              // q that is corrected; 0: no correction
	HalfWidth float64 `json:"within_s2,omitempty"`    // half width of q, rectangular; or
	U         float64 `json:"square_u_s2,omitempty"`  // standard uncertainty of q
	Motion    float64 `json:"motion_um_s2,omitempty"` // largest |m − m̄|, µm/s²
	Basis     Basis   `json:"basis,omitempty"`
	Source    string  `json:"source,omitempty"` // as in [Component]
}

// The components of a bore's budget, by their codes.
const (
	ComponentRing        = "ring"           // the certified size of the setting ring
	ComponentRepeat      = "repeat"         // scatter of the readings for the size and for the zero
	ComponentCapture     = "capture"        // scatter within one capture, where it was worse than usual
	ComponentDrift       = "drift"          // drift of the zero
	ComponentApart       = "part_from_ring" // temperature of the part less that of the ring
	ComponentFrom20      = "from_20"        // temperature of the ring less 20 °C
	ComponentPartAlpha   = "part_alpha"     // expansion coefficient of the part
	ComponentRingAlpha   = "ring_alpha"     // expansion coefficient of the ring
	ComponentContact     = "contact"        // contact, form and centring
	ComponentResolution  = "resolution"     // step of the digits
	ComponentIndentation = "indentation"    // indentation of the part by the tips
	ComponentGain        = "gain"           // gain of the gauge
	ComponentGradient    = "gradient"       // temperature gradient along the part
	ComponentCooling     = "cooling"        // warmth of the part, estimated from how the part cooled
	ComponentAveraging   = "averaging"      // averaging of the gauge over time
)

// usualBasis returns how the input of a component is usually known.
func usualBasis(line string) Basis {
	switch line {
	case ComponentCapture, ComponentGain, ComponentCooling:
		return ByMeasurement
	case ComponentPartAlpha, ComponentRingAlpha: // for the material in general, not for this piece
		return ByAssumption
	}
	return ByStatement
}

// Bore works out the budget of one size. The model is that of JCGM 100:2008, H.1. Its temperature
// terms use two quantities that are known separately: θr is the temperature of the ring less 20 °C,
// and δ is the temperature of the part less that of the ring:
//
//	size at 20 °C = ring + (part − ring as gauged) − D [(αp − αr) θr + αp δ]
//
// Bore fails when the ring's uncertainty, the repeatability or the size isn't given, because there
// is no budget without them.
func Bore(in BoreInput) (Budget, error) {
	if err := in.check(); err != nil {
		return Budget{}, fmt.Errorf("budget of a bore: %w", err)
	}
	m := Model{Of: "bore"}
	m.add(Component{Name: ComponentRing, Type: B, Distribution: Normal, HalfWidth: um(in.RingU), Divisor: in.RingK, Sensitivity: 1, Source: "certificate"})
	m.repeats(&in)
	m.rectangle(ComponentDrift, in.Drift, "since_check")
	m.temperatures(&in)
	m.cooling(in.Cooling)
	m.add(Component{Name: ComponentContact, Type: B, Distribution: Normal, Standard: um(in.Contact), Sensitivity: 1, Source: "judgement"})
	m.rectangle(ComponentResolution, (in.Resolution+1)/2, "half_step")
	m.rectangle(ComponentIndentation, in.Indentation, "not_corrected")
	m.gain(in.GainU, in.Away)
	m.averaging(&in.Averaging)
	m.fillBases(in.Bases)
	return m.Budget()
}

// repeats adds the scatter of the size and of the zero. One captured value has the same standard
// deviation in both, so they are one component with one number of degrees of freedom. If the
// capture of this size was worse than usual, the size has its own component.
func (m *Model) repeats(in *BoreInput) {
	size, zero := 1/float64(in.Readings), 0.0
	if in.Master > 0 {
		zero = 1 / float64(in.Master)
	}
	if c := um(in.Capture); c > um(in.Repeat)*math.Sqrt(size) {
		m.add(Component{Name: ComponentCapture, Type: A, Distribution: Normal, Standard: c, Sensitivity: 1, Source: "capture"})
		size = 0
	}
	if size+zero > 0 {
		m.add(Component{Name: ComponentRepeat, Type: A, Distribution: Normal, Standard: um(in.Repeat), Freedom: in.RepeatFreedom, Sensitivity: math.Sqrt(size + zero), Source: "mastering"})
	}
}

var errGain = errors.New("the uncertainty of a gain is a number from 0 to 1")

var errAveraging = errors.New("what is known of a gauge's averaging can't be negative")

func (a *Averaging) valid() bool { return min(a.Square, a.HalfWidth, a.U, a.Motion) >= 0 } // also false for NaN

// averaging adds the uncertainty of the gauge's averaging.
func (m *Model) averaging(a *Averaging) {
	l := Component{Name: ComponentAveraging, Type: B, Distribution: Rectangular, Unit: "s2", Estimate: a.Square, HalfWidth: a.HalfWidth, Sensitivity: -a.Motion, Source: a.Source, Basis: a.Basis}
	if a.HalfWidth == 0 {
		l.Distribution, l.Standard = Normal, a.U
	}
	m.add(l)
}

// fillBases sets for each component how its input is known.
func (m *Model) fillBases(known map[string]Basis) {
	for i := range m.Components {
		l := &m.Components[i]
		switch b, ok := known[l.Name]; {
		case ok:
			l.Basis = b
		case l.Basis == "":
			l.Basis = usualBasis(l.Name)
		}
	}
}

// cooling adds the uncertainty of a part's warmth, which is estimated from how the part cooled.
func (m *Model) cooling(u analysis.Deviation) {
	m.add(Component{Name: ComponentCooling, Type: A, Distribution: Normal, Standard: um(u), Sensitivity: 1, Source: "cooling_fit"})
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
	case !in.Averaging.valid():
		return errAveraging
	case !(min(in.Part.U, in.Ring.U) >= 0):
		return errors.New("the spread of an expansion coefficient can't be negative")
	}
	return nil
}

// temperatures adds the effects of temperature on a comparison. It keeps products of two inputs,
// because the terms of first order vanish at an estimate of 20 °C.
func (m *Model) temperatures(in *BoreInput) {
	d := analysis.Length(in.Size).Micrometres() * 1e-6 // µm per 10⁻⁶
	apart, from20 := in.PartFromRing.Degrees(), in.RingFrom20.Degrees()
	m.add(Component{Name: ComponentApart, Type: B, Distribution: Rectangular, Unit: "K", Estimate: apart, HalfWidth: in.PartWithin.Degrees(), Sensitivity: -d * in.Part.Alpha, Source: "shop"})
	m.add(Component{Name: ComponentFrom20, Type: B, Distribution: Rectangular, Unit: "K", Estimate: from20, HalfWidth: in.RingWithin.Degrees(), Sensitivity: -d * (in.Part.Alpha - in.Ring.Alpha), Source: "shop"})
	m.add(Component{Name: ComponentPartAlpha, Type: B, Distribution: Normal, Unit: "1e-6/K", Estimate: in.Part.Alpha, Standard: in.Part.U, Sensitivity: -d * (from20 + apart), Source: "materials"})
	m.add(Component{Name: ComponentRingAlpha, Type: B, Distribution: Normal, Unit: "1e-6/K", Estimate: in.Ring.Alpha, Standard: in.Ring.U, Sensitivity: d * from20, Source: "materials"})
	m.product(ComponentPartAlpha, ComponentApart, -d)
	m.product(ComponentPartAlpha, ComponentFrom20, -d)
	m.product(ComponentRingAlpha, ComponentFrom20, d)
	if in.SameMaterial != 0 && m.has(ComponentPartAlpha) && m.has(ComponentRingAlpha) {
		m.Correlations = append(m.Correlations, Correlation{ComponentPartAlpha, ComponentRingAlpha, in.SameMaterial})
	}
}

// DifferenceInput holds the inputs for the uncertainty of the difference of two sizes of one bore
// (a form error). The ring, the zero and the common temperature cancel.
type DifferenceInput struct {
	Size          analysis.Length      `json:"size_mm"`
	Repeat        analysis.Deviation   `json:"repeat_sd_um"`
	RepeatFreedom float64              `json:"repeat_degrees_of_freedom,omitempty"`
	Readings      int                  `json:"readings"` // captured values in each size
	Drift         analysis.Deviation   `json:"drift_um,omitempty"`
	Contact       analysis.Deviation   `json:"contact_u_um,omitempty"`
	Resolution    analysis.Deviation   `json:"resolution_um,omitempty"`
	Part          Expansion            `json:"part_expansion"`
	Along         analysis.Temperature `json:"along_within_cel,omitempty"` // half width, between the two places
	// Cooling is the largest standard uncertainty of a size's correction for cooling. The two sizes
	// share the error of that correction, and the error falls with time. So the error of the
	// difference is no larger than the error of one size.
	Cooling analysis.Deviation `json:"cooling_u_um,omitempty"`
	// GainU is the standard uncertainty of the gauge's gain, a pure number. Apart is the largest
	// difference that is stated. An error of the gain changes a difference in proportion to the
	// difference (geometry: d(gain × shown) = shown × d gain).
	GainU float64         `json:"gain_u,omitempty"`
	Apart analysis.Length `json:"difference_mm,omitempty"`
	// Averaging is as for one size. Its Motion is the largest difference of the two sizes' m.
	Averaging Averaging        `json:"averaging"`
	Bases     map[string]Basis `json:"bases,omitempty"` // as for one size
}

// Difference works out the budget of a form error, in µm. Errors that the two sizes share cancel.
// The scatter of both sizes remains, and so do the errors that grow with their difference.
// Difference fails without a size, a repeatability and a number of readings, and for negative
// inputs. Source: JCGM 100:2008, 5.2.2.
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
	case !in.Averaging.valid():
		return Budget{}, fmt.Errorf("budget of a form error: %w", errAveraging)
	}
	m := Model{Of: "difference"}
	two := math.Sqrt2 // two independent values
	m.add(Component{Name: ComponentRepeat, Type: A, Distribution: Normal, Standard: um(in.Repeat) / math.Sqrt(float64(in.Readings)), Freedom: in.RepeatFreedom, Sensitivity: two, Source: "mastering"})
	m.rectangle(ComponentDrift, in.Drift, "between_readings")
	m.add(Component{Name: ComponentGradient, Type: B, Distribution: Rectangular, Unit: "K", HalfWidth: in.Along.Degrees(), Sensitivity: in.Size.Micrometres() * 1e-6 * in.Part.Alpha, Source: "shop"})
	m.add(Component{Name: ComponentContact, Type: B, Distribution: Normal, Standard: um(in.Contact), Sensitivity: two, Source: "judgement"})
	m.add(Component{Name: ComponentResolution, Type: B, Distribution: Rectangular, HalfWidth: um((in.Resolution + 1) / 2), Sensitivity: two, Independent: 2, Source: "half_step"})
	m.cooling(in.Cooling)
	m.gain(in.GainU, in.Apart)
	m.averaging(&in.Averaging)
	m.fillBases(in.Bases)
	return m.Budget()
}

// gain adds the uncertainty of the gauge's gain over a distance.
func (m *Model) gain(u float64, over analysis.Length) {
	if over != 0 {
		m.add(Component{Name: ComponentGain, Type: B, Distribution: Normal, Unit: "1", Standard: u, Sensitivity: over.Micrometres(), Source: "second_ring"})
	}
}

func um(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }

// add appends a component unless its width is 0. Its unit is µm if none is given.
func (m *Model) add(l Component) {
	if l.HalfWidth == 0 && l.Standard == 0 {
		return
	}
	if l.Unit == "" {
		l.Unit = "um"
	}
	m.Components = append(m.Components, l)
}

func (m *Model) rectangle(name string, half analysis.Deviation, source string) {
	m.add(Component{Name: name, Type: B, Distribution: Rectangular, HalfWidth: um(half), Sensitivity: 1, Source: source})
}

func (m *Model) product(a, b string, c float64) {
	if m.has(a) && m.has(b) {
		m.Products = append(m.Products, Product{A: a, B: b, Coefficient: c})
	}
}

func (m *Model) has(name string) bool {
	for i := range m.Components {
		if m.Components[i].Name == name {
			return true
		}
	}
	return false
}
