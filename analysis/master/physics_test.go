package master

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/material"
)

// TestThermal_Reference holds the correction against values worked out
// elsewhere (testdata/master/thermal), to the 0.1 nm a Length has.
func TestThermal_Reference(t *testing.T) {
	data, err := os.ReadFile("../../testdata/master/thermal/temperature_examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Examples []struct {
			Case      string  `json:"case"`
			D         float64 `json:"D_mm"`
			AlphaRing float64 `json:"alpha_ring"`
			AlphaPart float64 `json:"alpha_part"`
			Ring      float64 `json:"T_ring"`
			Part      float64 `json:"T_part"`
			Exact     float64 `json:"exact_ratio_form_mm"`
		} `json:"examples"`
	}
	if err := json.Unmarshal(data, &ref); err != nil || len(ref.Examples) != 5 {
		t.Fatalf("%d examples, %v", len(ref.Examples), err)
	}
	for _, e := range ref.Examples {
		d := analysis.Length(math.Round(e.D * 1e7))
		c := Thermal{Ring: d, RingAlpha: e.AlphaRing * 1e6, PartAlpha: e.AlphaPart * 1e6, RingAt: analysis.Temperature(e.Ring * 1000), PartAt: analysis.Temperature(e.Part * 1000)}
		got, err := c.Correction(d)
		if want := math.Round(e.Exact * 1e7); err != nil || float64(got) != want {
			t.Errorf("%s: %d × 0.1 nm, %v, want %v", e.Case, got, err, want)
		}
		if size, err := c.At20(d); err != nil || size != d+analysis.Length(got) {
			t.Errorf("%s: at 20 °C %s, %v", e.Case, size, err)
		}
	}
}

func TestThermal_Refuses(t *testing.T) {
	good := Thermal{Ring: 1, RingAlpha: 11.5, PartAlpha: 11.5, RingAt: 20_000, PartAt: 20_000}
	if d, err := good.Correction(1); d != 0 || err != nil {
		t.Errorf("at 20 °C: %d, %v", d, err)
	}
	for name, spoil := range map[string]func(*Thermal){
		"no ring":          func(c *Thermal) { c.Ring = 0 },
		"fire":             func(c *Thermal) { c.PartAt = 400 * analysis.Celsius },
		"frost":            func(c *Thermal) { c.RingAt = -60 * analysis.Celsius },
		"alpha no number":  func(c *Thermal) { c.PartAlpha = math.NaN() },
		"alpha in 1 per K": func(c *Thermal) { c.RingAlpha = -11.5e-6 },
	} {
		c := good
		spoil(&c)
		if _, err := c.Correction(1); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func tip(wall string, force float64) Contact {
	return Contact{Tip: 2 * analysis.Millimetre, Force: force, Material: "carbide", Wall: wall}
}

// TestIndentation: a carbide tip of 2 mm radius at 1 N, against a flat wall,
// as (9 F² / (16 r E*²))^⅓ was worked out apart with the moduli of the table.
func TestIndentation(t *testing.T) {
	for wall, want := range map[string]float64{"steel": 0.2150, "bronze": 0.3114, "grey iron": 0.3174, "aluminium": 0.3884} {
		if got, err := tip(wall, 1).Indentation(); err != nil || math.Abs(got-want) > 0.0001 {
			t.Errorf("%s: %.4f µm, %v, want %.4f", wall, got, err, want)
		}
	}
	for _, c := range []struct {
		wall        string
		force, want float64
	}{{"bronze", 1, 0.1929}, {"aluminium", 1, 0.3468}, {"bronze", 2, 0.3062}, {"aluminium", 2, 0.5506}} {
		got, err := LargerThanRing(tip(c.wall, c.force), tip("steel", c.force))
		if err != nil || math.Abs(analysis.Length(got).Micrometres()-c.want) > 0.0002 {
			t.Errorf("%s at %v N: reads %d large, %v, want %.4f µm", c.wall, c.force, got, err, c.want)
		}
	}
	// The closed form of a sphere on a flat: (9 F² / (16 r E*²))^⅓.
	steel, _ := material.Find("steel")
	carbide, _ := material.Find("carbide")
	compliance := (1-steel.Poisson*steel.Poisson)/(steel.Young*1e3) + (1-carbide.Poisson*carbide.Poisson)/(carbide.Young*1e3)
	want := 1000 * math.Cbrt(9*compliance*compliance/(16*2))
	if got, _ := tip("steel", 1).Indentation(); math.Abs(got-want) > 1e-9 {
		t.Errorf("flat: %.12f µm, closed form %.12f", got, want)
	}
	if d, err := LargerThanRing(tip("steel", 1), tip("steel", 1)); d != 0 || err != nil {
		t.Errorf("the same steel: %d, %v", d, err)
	}
}

// TestIndentation_Bore proves the elliptical contact without its formulas: the
// elastic displacement under the pressure found, integrated over the ellipse
// (Boussinesq), must leave exactly the gap between tip and bore everywhere in it.
func TestIndentation_Bore(t *testing.T) {
	const along, around, force, compliance = 0.5, 0.5 - 2/22.23, 1.0, 6e-6 // 1/mm, N, mm²/N
	delta := approach(along, around, force, compliance)
	m := ellipse(around / along)
	// The semi-axes follow from δ by the total force alone: scan for the pair of
	// axes of ratio √(1−m) whose central displacement is δ.
	b := math.Sqrt(1 - m)
	size := 3 * force * compliance / (2 * math.Pi * b) / delta * centre(b)
	a := size
	b *= a
	p0 := 3 * force / (2 * math.Pi * a * b)
	for _, at := range [][2]float64{{0, 0}, {a / 2, 0}, {0, b / 2}, {0.4 * a, 0.5 * b}, {0.9 * a, 0}} {
		x, y := at[0], at[1]
		got := displacement(x, y, a, b, p0*compliance)
		want := delta - around/2*x*x - along/2*y*y
		if math.Abs(got-want) > 1e-4*delta {
			t.Errorf("at %.2f a, %.2f b: displacement %.6f nm, gap asks for %.6f", x/a, y/b, got*1e6, want*1e6)
		}
	}
}

// centre is the displacement at the centre of an ellipse of semi-axes 1 and b
// for unit pressure and compliance: ¼ of the mean of its radius over the angle.
func centre(b float64) float64 {
	const n = 20_000
	sum := 0.0
	for i := range n {
		phi := 2 * math.Pi * (float64(i) + 0.5) / n
		sum += 1 / math.Hypot(math.Cos(phi), math.Sin(phi)/b)
	}
	return sum / n * math.Pi / 2
}

// displacement integrates p/(π E* ρ) over the ellipse in polar coordinates
// about the point, so that ρ cancels; pc is the central pressure times 1/E*.
func displacement(x, y, a, b, pc float64) float64 {
	const n = 4000
	sum := 0.0
	for i := range n {
		phi := 2 * math.Pi * (float64(i) + 0.5) / n
		c, s := math.Cos(phi), math.Sin(phi)
		// 1 − (x+ρc)²/a² − (y+ρs)²/b² = A − 2Bρ − Cρ², integrated exactly.
		A, B, C := 1-x*x/(a*a)-y*y/(b*b), x*c/(a*a)+y*s/(b*b), c*c/(a*a)+s*s/(b*b)
		h := math.Sqrt(A/C + B*B/(C*C))
		u := B / C // the semicircle's centre is at ρ = −u; from there from u to h
		sum += math.Sqrt(C) * (math.Pi*h*h/4 - (u*math.Sqrt(max(h*h-u*u, 0))+h*h*math.Asin(max(-1, min(1, u/h))))/2)
	}
	return pc / math.Pi * sum * 2 * math.Pi / n
}

func TestIndentation_Refuses(t *testing.T) {
	for name, c := range map[string]Contact{
		"wall":     tip("cheese", 1),
		"tip":      {Tip: 1, Force: 1, Material: "cheese", Wall: "steel"},
		"no force": tip("steel", 0),
		"NaN":      tip("steel", math.NaN()),
		"too big":  {Tip: 2 * analysis.Millimetre, Force: 1, Diameter: 4 * analysis.Millimetre, Material: "carbide", Wall: "steel"},
	} {
		if v, err := c.Indentation(); err == nil {
			t.Errorf("%s: %v", name, v)
		}
		if _, err := LargerThanRing(tip("steel", 1), c); err == nil {
			t.Errorf("%s: accepted for a ring", name)
		}
	}
}

// In a bore the tip sinks in less than in a flat, the less the closer the fit.
func TestIndentation_Order(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := analysis.Length(rapid.Int64Range(45_000_000, 1_000_000_000).Draw(t, "diameter"))
		c := tip("steel", rapid.Float64Range(0.1, 5).Draw(t, "force"))
		flat, _ := c.Indentation()
		c.Diameter = d
		bore, err := c.Indentation()
		if err != nil {
			t.Fatal(err)
		}
		c.Diameter += 10_000_000
		wider, _ := c.Indentation()
		if !(bore < wider && wider < flat && bore > flat/2) {
			t.Fatalf("%s: %v, wider %v, flat %v", d, bore, wider, flat)
		}
	})
}

func TestAdjust(t *testing.T) {
	size := 222_300_000 * analysis.Length(1)
	if got, err := (Adjust{}).Size(size); got != size || err != nil {
		t.Errorf("with nothing turned on: %s, %v", got, err)
	}
	a := Adjust{Indentation: 1750}
	if got, err := a.Size(size); got != size-1750 || err != nil {
		t.Errorf("contact only: %s, %v", got, err)
	}
	// A bronze part 2 K warmer than the ring at 20 °C: 22.23 mm × 18e-6 × 2 = 0.80 µm.
	a.Thermal = &Thermal{Ring: 222_250_000, RingAlpha: 11.5, PartAlpha: 18, RingAt: 20_000, PartAt: 22_000}
	got, err := a.Size(size)
	if off := size - 1750 - got; err != nil || off < 7990 || off > 8010 {
		t.Errorf("both: %s, %v", got, err)
	}
	a.Thermal.PartAt = 900_000
	if _, err := a.Size(size); err == nil {
		t.Error("a part at 900 °C is corrected")
	}
}
