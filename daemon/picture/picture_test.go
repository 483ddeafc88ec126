package picture_test

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

const um = analysis.Micrometre

func valve() *analysis.Job {
	mm := analysis.Millimetre
	return &analysis.Job{
		ID: "J-4120", Title: "relief valve body", Unit: analysis.MM, Face: "front", Blind: true, Nominal: 1588 * mm / 100,
		Limits: analysis.Limits{Low: 15878 * mm / 1000, High: 15884 * mm / 1000, Target: 15881 * mm / 1000}, Band: analysis.Deviation(200 * um),
		Length: 52 * mm, Sections: []analysis.Length{5 * mm, 16 * mm, 28 * mm, 40 * mm, 49 * mm}, Orientations: []analysis.Angle{0, 90 * analysis.Degree},
		Interrupts: []analysis.Interrupt{{From: 9 * mm, To: 12 * mm, What: "groove"}}, Ring: "R-0625",
	}
}

// gauged is a bore of the job with a size, in µm above the low limit, at each
// place of the plan as far as there are some.
func gauged(job *analysis.Job, above ...float64) *state.Bore {
	f := state.Fold{Station: "bay3"}
	now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	set := &state.Settings{Settings: event.Settings{Gauge: state.GaugeSettings{Repeatability: analysis.Deviation(um / 5), Step: analysis.Deviation(um / 10)}}}
	for _, e := range []event.Event{
		{Kind: event.JobChosen, Job: job}, {Kind: event.PartBegun, Part: &event.Part{Serial: "1", Count: 1}},
		{Kind: event.Mastered, Master: &event.Master{Number: 1, Ring: analysis.Ring{ID: job.Ring, Size: job.Target}, Of: 3}},
	} {
		e.At = now
		f.Apply(&e)
	}
	for i, p := range job.Plan() {
		if i == len(above) {
			break
		}
		r := &event.Reading{No: i + 1, Mastered: 1}
		r.Place, r.At = p, now.Add(time.Duration(i)*time.Second)
		r.Size = job.Low + analysis.Length(math.Round(above[i]*float64(um)))
		r.Deviation = analysis.Deviation(r.Size - job.Target)
		f.Apply(&event.Event{Kind: event.Taken, At: r.At, Reading: r})
	}
	return f.Bore(set, now.Add(time.Minute))
}

// shape is an element of a drawing.
type shape struct {
	name, class, text string
	attr              map[string]string
}

// parse reads a drawing as XML, and fails if it isn't or holds what is no number.
func parse(t interface{ Fatalf(string, ...any) }, svg []byte) (shapes []shape) {
	d := xml.NewDecoder(strings.NewReader(string(svg)))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return shapes
		}
		if err != nil {
			t.Fatalf("not XML: %v\n%s", err, svg)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			s := shape{name: e.Name.Local, attr: map[string]string{}}
			for _, a := range e.Attr {
				s.attr[a.Name.Local] = a.Value
			}
			s.class = s.attr["class"]
			shapes = append(shapes, s)
		case xml.CharData:
			shapes[len(shapes)-1].text += string(e)
		}
	}
}

// points returns the coordinates of a path.
func points(t interface{ Fatalf(string, ...any) }, d string) (out []picture.Point) {
	for _, f := range strings.FieldsFunc(d, func(r rune) bool { return r == 'M' || r == 'L' || r == 'Z' }) {
		xy := strings.Fields(f)
		if len(xy) != 2 {
			t.Fatalf("path %q: %q is no point", d, f)
		}
		x, err1 := strconv.ParseFloat(xy[0], 64)
		y, err2 := strconv.ParseFloat(xy[1], 64)
		if err1 != nil || err2 != nil || math.IsNaN(x+y) || math.IsInf(x+y, 0) {
			t.Fatalf("path %q: %q is no point", d, f)
		}
		out = append(out, picture.Point{X: x, Y: y})
	}
	return out
}

func of(shapes []shape, name, class string) (out []shape) {
	for _, s := range shapes {
		if s.name == name && s.class == class {
			out = append(out, s)
		}
	}
	return out
}

func cut(b *state.Bore) picture.Cut { return picture.Cut{Bore: b, W: 1200, H: 420} }

// Every place of the plan is drawn once, whatever its state, and what is due next
// is marked.
func TestEveryPlaceOnce(t *testing.T) {
	for n := range 11 {
		b := gauged(valve(), make([]float64, n)...)
		taken, due := 0, 0
		for _, s := range parse(t, cut(b).SVG()) {
			switch {
			case s.class == "place taken":
				taken++
			case s.class == "place due":
				due++
			}
		}
		if taken != n || taken+due != 10 {
			t.Errorf("%d readings: %d places drawn as taken, %d as due; want 10 in all", n, taken, due)
		}
		next := of(parse(t, cut(b).SVG()), "path", "next")
		if want := min(1, 10-n); len(next) != want {
			t.Errorf("%d readings: %d places marked as next, want %d", n, len(next), want)
		}
	}
}

// Readings that do not count are drawn apart from those that do, and a questioned
// one says so.
func TestWhatDoesNotCount(t *testing.T) {
	b := gauged(valve(), -5, -5, -5)
	b.Places[0].Superseded, b.Places[1].Void = []analysis.Length{b.Job.Low - 8*um}, []analysis.Length{b.Job.Low - 9*um}
	b.Places[2].Ask = analysis.Quote("does it belong to 5 mm?")
	shapes := parse(t, cut(b).SVG())
	if n := len(of(shapes, "circle", "past")); n != 2 { // on both walls
		t.Errorf("%d rings for a superseded reading, want 2", n)
	}
	struck := of(shapes, "path", "struck")
	if len(struck) != 1 || len(points(t, struck[0].attr["d"])) != 8 {
		t.Errorf("the void reading has no cross on both walls: %v", struck)
	}
	asked := 0
	for _, s := range shapes {
		if strings.HasSuffix(s.text, " ?") {
			asked++
		}
	}
	if asked != 1 {
		t.Errorf("%d questions, want 1", asked)
	}
	if len(of(shapes, "path", "doubted")) != 1 {
		t.Error("the cell in question looks like the others")
	}
}

// A larger size is drawn further from the axis, always, and nothing drawn is no
// number: for any sizes, any drawing size and any job length.
func TestWallRisesWithSize(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		job := valve()
		job.Interrupts = nil
		above := rapid.SliceOfN(rapid.Float64Range(-60, 12), 10, 10).Draw(t, "above")
		c := cut(gauged(job, above...))
		c.W, c.H = rapid.Float64Range(60, 3000).Draw(t, "w"), rapid.Float64Range(60, 1500).Draw(t, "h")
		c.Plain = rapid.Bool().Draw(t, "plain")
		shapes := parse(t, c.SVG())
		for _, s := range shapes {
			if s.name == "path" {
				points(t, s.attr["d"])
			}
		}
		walls := of(shapes, "path", "wall")
		if len(walls) != 1 {
			t.Fatalf("%d walls", len(walls))
		}
		upper := points(t, walls[0].attr["d"])[:5]
		for i := range 5 {
			for k := range 5 {
				a, b := min(above[2*i], above[2*i+1]), min(above[2*k], above[2*k+1])
				if a > b && upper[i].Y > upper[k].Y+0.101 { // drawn to a tenth of a pixel
					t.Fatalf("section %d is %g µm larger than %d and drawn nearer to the axis: %g, %g", i, a-b, k, upper[i].Y, upper[k].Y)
				}
			}
		}
	})
}

// The magnification that is stated is the one that is drawn: geometry.
func TestMagnificationIsTrue(t *testing.T) {
	above := []float64{0, 0, -2, -2, -4, -4, -6, -6, -8, -8}
	job := valve()
	job.Interrupts = nil
	drawn := cut(gauged(job, above...))
	drawn.Format.Language = notation.Codes()
	shapes := parse(t, drawn.SVG())
	wall := points(t, of(shapes, "path", "wall")[0].attr["d"])
	stated := 0.0
	for _, s := range shapes {
		if rest, ok := strings.CutPrefix(s.text, "⟦picture.magnified "); ok {
			n, _, _ := strings.Cut(rest, "⟧")
			stated, _ = strconv.ParseFloat(strings.ReplaceAll(n, "\u202f", ""), 64)
		}
	}
	along := (wall[4].X - wall[0].X) / 44 // pixels per mm
	across := (wall[4].Y - wall[0].Y) / 0.004
	if times := across / along; stated == 0 || math.Abs(times/stated-1) > 0.02 {
		t.Errorf("stated %g times, drawn %.1f times", stated, times)
	}
}

// Text of the configuration and of readings stays text.
func TestTextIsEscaped(t *testing.T) {
	job := valve()
	evil := `</text><script>alert("1")</script>&amp;` + "\x00\x1b"
	job.ID, job.Interrupts[0].What, job.Face = evil, evil, evil
	job.Interrupts[0].To = 15 * analysis.Millimetre
	for _, svg := range [][]byte{cut(gauged(job, 1, 2)).SVG(), picture.Approach{Bore: gauged(job, 1), W: 300, H: 200}.SVG()} {
		for _, s := range parse(t, svg) {
			if s.name == "script" {
				t.Fatal("a script got into the drawing")
			}
		}
		if strings.Contains(string(svg), "style=") {
			t.Error("a style attribute, which the page forbids")
		}
	}
}

// The scale stays while readings of a round come in, and does not go back and
// forth as a part approaches its size.
func TestScaleIsSteady(t *testing.T) {
	job := valve()
	scale := func(b *state.Bore) string {
		root := parse(t, cut(b).SVG())[0]
		return root.attr["data-scale"]
	}
	a := gauged(job, -20, -20, -22, -22, -24, -24, -26, -26, -30, -30)
	b := *a
	b.Round, b.Basis, b.Complete = 1, 1, false
	b.Rounds = append(b.Rounds[:1:1], state.RoundSum{Round: event.Round{Number: 1}, Smallest: job.Low - 8*um, Largest: job.Low - 6*um, Mean: job.Low - 7*um})
	if scale(a) != scale(&b) {
		t.Errorf("the scale jumped from %s to %s within a round", scale(a), scale(&b))
	}
	b.Complete = true
	if scale(a) == scale(&b) {
		t.Errorf("the scale stays at %s although the round is complete and four times as near", scale(a))
	}
}

// What is over the high limit is shown as such, and nothing else is.
func TestOverIsDrawn(t *testing.T) {
	in := parse(t, cut(gauged(valve(), 3, 3, 3, 3, 3, 3, 3, 3, 3, 3)).SVG())
	over := parse(t, cut(gauged(valve(), 3, 3, 3, 7.5, 3, 3, 3, 3, 3, 3)).SVG())
	if len(of(in, "path", "beyond")) != 0 || len(of(over, "path", "beyond")) != 1 {
		t.Error("metal past the high limit is not drawn where, and only where, there is some")
	}
}

// The next round's expected sizes and the limits are in the approach.
func TestApproach(t *testing.T) {
	b := gauged(valve(), -20, -20, -22, -22, -24, -24, -26, -26, -30, -30)
	b.Advice = &advise.Advice{}
	plain := parse(t, picture.Approach{Bore: b, W: 400, H: 300}.SVG())
	e := [2]analysis.Length{b.Job.Low - 12*um, b.Job.Low - 4*um}
	ahead := parse(t, picture.Approach{Bore: b, W: 400, H: 300, Expected: &e}.SVG())
	if len(of(plain, "path", "ahead")) != 0 || len(of(ahead, "path", "ahead")) != 2 {
		t.Error("the expected sizes are not drawn where, and only where, there are some")
	}
	if len(of(plain, "path", "bar")) != 1 {
		t.Error("a round has no bar")
	}
}

// Each finished part has a bar, and one that was not accepted is crossed out.
func TestLot(t *testing.T) {
	job := valve()
	l := picture.Lot{Job: job, W: 600, H: 240, Parts: []picture.LotPart{
		{"001", job.Low + um, job.Low + 3*um, true}, {"002", job.Low + 2*um, job.High + 2*um, false}, {"<3>", job.Low, job.Low, true},
	}}
	shapes := parse(t, l.SVG())
	if n, out := len(of(shapes, "path", "bar")), len(of(shapes, "path", "alarm")); n != 3 || out != 1 {
		t.Errorf("%d bars and %d crossed out, want 3 and 1", n, out)
	}
	l.Parts = nil
	parse(t, l.SVG())
}

func TestNumbers(t *testing.T) {
	d := analysis.Deviation(3*um + um/10) // 3.1 µm = 122.05 millionths = 1.2205 tenths
	for _, c := range []struct {
		f    notation.Format
		want string
	}{
		{notation.Format{}, "3.1 µm|0.0031 mm · 1.2 tenths"},
		{notation.Format{Sign: notation.Comma}, "3,1 µm|0,0031 mm · 1,2 tenths"},
		{notation.Format{Inch: true}, "1.2 tenths|122 millionths · 3.1 µm"},
		{notation.Format{Inch: true, Fine: true}, "122 millionths|1.22 tenths · 3.10 µm"},
	} {
		if got := c.f.Small(d) + " " + c.f.SmallUnit() + "|" + c.f.Other(d); got != c.want {
			t.Errorf("%+v: %s, want %s", c.f, got, c.want)
		}
	}
	for _, c := range []struct { // 0.01 µm is 0.39 millionths
		f    notation.Format
		d    analysis.Deviation
		want string
	}{
		{notation.Format{}, 100, "0.01"}, {notation.Format{Sign: notation.Comma}, 100, "0,01"}, {notation.Format{}, 0, "0.0"}, {notation.Format{}, d, "3.1"},
		{notation.Format{Inch: true}, 100, "0.004"}, {notation.Format{Inch: true}, 0, "0.0"},
		{notation.Format{Inch: true, Fine: true}, 100, "0.4"}, {notation.Format{Inch: true, Fine: true}, 0, "0"},
	} {
		if got := c.f.Some(c.d); got != c.want {
			t.Errorf("%+v: %d of 0.1 nm is said %s, want %s", c.f, c.d, got, c.want)
		}
	}
	// 22.2282 mm is 0.875126 in: the demo's bush, converted by hand at 25.4 mm.
	l := 222282 * analysis.Millimetre / 10000
	if got := (notation.Format{Inch: true}).Size(l); got != "0.8751|26 in" {
		t.Errorf("22.2282 mm is said %s", got)
	}
	if got := (notation.Format{}).Signed(-d); got != "−3.1" {
		t.Errorf("-3.1 µm is said %s", got)
	}
	if got := (notation.Format{}).Signed(analysis.Deviation(um / 100)); got != "0.0" {
		t.Errorf("0.01 µm is said %s, with a sign it can't have", got)
	}
}

// Roles can be told apart without colour: areas that touch differ in grey or have
// a hatching of their own (greys by Rec. 709 luma).
func TestGreys(t *testing.T) {
	grey := func(c int) float64 {
		return (0.2126*float64(c>>16&255) + 0.7152*float64(c>>8&255) + 0.0722*float64(c&255)) / 255
	}
	seen := map[string]bool{}
	for r := picture.Paper; r <= picture.Doubted; r++ {
		s := r.Style()
		if s.Name == "" || seen[s.Name] {
			t.Errorf("role %d has the name %q, which is empty or another's", r, s.Name)
		}
		seen[s.Name] = true
	}
	for _, r := range []picture.Role{picture.Strong, picture.Soft, picture.LimitAs, picture.NextAs, picture.PastAs} {
		// WCAG 2.2, 1.4.3: at least 4.5 : 1 on white; luma is near enough for a bound with room.
		if g := grey(r.Style().Fill); 1.05/(math.Pow(g, 2.2)+0.05) < 4.5 {
			t.Errorf("text %s is too pale on white", r.Style().Name)
		}
	}
}

func ExampleCut() {
	svg := picture.Cut{Bore: &state.Bore{Job: valve()}, W: 800, H: 300}.SVG()
	fmt.Println(strings.HasPrefix(string(svg), "<svg"))
	// Output: true
}

func BenchmarkCut(b *testing.B) {
	bore := gauged(valve(), -20, -20, -22, -22, -24, -24, -26, -26, -30, -30)
	n := 0
	for b.Loop() {
		n = len(cut(bore).SVG())
	}
	b.ReportMetric(float64(n), "bytes")
}

// A deviation in tenths has the same digits on a drawing as in a sentence, and they
// are those of the exact value rounded once, half away from zero: 1269 units are
// 0.04996 tenths, so 0.0, though 0.0500 to four places.
func TestTenthsAgree(t *testing.T) {
	f := notation.Format{Inch: true}
	for d, want := range map[analysis.Deviation]string{1269: "0.0", -1269: "0.0", 1270: "0.1", -1270: "−0.1", 3809: "0.1", 3810: "0.2"} {
		if got := f.Small(d); got != want {
			t.Errorf("%d units: %s tenths, want %s", d, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		d := analysis.Deviation(rapid.Int64Range(-50_000_000, 50_000_000).Draw(t, "units of 0.1 nm"))
		exact := new(big.Rat).SetFrac64(int64(d), 25_400)
		drawn := strings.Replace(f.Small(d), "−", "-", 1)
		want := exact.FloatString(1) // rounds once, half away from zero
		if want == "-0.0" {
			want = "0.0"
		}
		if drawn != want {
			t.Fatalf("%d units: %s on a drawing, %s exactly", d, drawn, want)
		}
		if analysis.Length(d).Abs() < 25_400 { // a sentence speaks of millionths there
			return
		}
		in := notation.In(analysis.IN)
		in.Language = notation.Codes()
		if said := in.Text("form.barrel", d); said != "⟦form.barrel "+f.Small(d)+" tenths⟧" {
			t.Fatalf("%d units: %q in a sentence, %q on a drawing", d, said, f.Small(d))
		}
	})
}

// A job without a plan has nothing to draw.
func TestDrawable(t *testing.T) {
	bare, level := valve(), valve()
	bare.Sections, level.Orientations = nil, nil
	for j, want := range map[*analysis.Job]bool{nil: false, bare: false, level: false, valve(): true} {
		if picture.Drawable(j) != want {
			t.Errorf("%+v: drawable %t", j, !want)
		}
	}
}

// Whatever a broker says of a bore, each drawing of it is well-formed and in proportion.
func FuzzBore(f *testing.F) {
	bore := func(text string) *state.Bore {
		var b state.Bore
		if json.Unmarshal([]byte(text), &b) != nil {
			return nil
		}
		return &b
	}
	job, err := json.Marshal(valve())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(`{"round":1,"job":` + string(job) + `,"places":[{"depth_mm":5,"angle_deg":0,"state":"taken","size_mm":15.88,"deviation_um":2,"no":1}],"rounds":[{"number":1,"smallest_mm":15.88,"largest_mm":15.881,"mean_mm":15.88,"readings":1,"sections":[{"depth_mm":5,"mean_mm":15.88,"n":1}]}],"sizes":{"smallest":{"size_mm":15.88},"largest":{"size_mm":15.881},"mean_mm":15.88}}`)
	f.Add(`{"job":{"sections_mm":[5],"orientations_deg":[0]},"u":{},"budget":{},"form":{},"judged":{},"advice":{},"cooling":{},"study":{},"verdict":{},"last":{},"refused":{}}`)
	f.Add(`{"job":{"length_mm":-1,"low_mm":9e9,"high_mm":-9e9,"interrupts":[{"from_mm":3,"to_mm":1}]},"rounds":[{}],"places":[{}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		b := bore(text)
		if b == nil || !picture.Drawable(b.Job) {
			return
		}
		format := notation.ForJob(b.Job)
		for name, svg := range map[string]string{
			"cut": string(picture.Cut{Bore: b, W: 800, H: 400, Format: format}.SVG()), "approach": string(picture.Approach{Bore: b, W: 800, H: 400, Format: format}.SVG()),
			"sections": string(picture.Sections{Bore: b, W: 800, H: 400, Format: format}.SVG()),
		} {
			if len(svg) > 100_000+1000*len(text) {
				t.Fatalf("%s: %d bytes of a text of %d", name, len(svg), len(text))
			}
			if svg == "" {
				continue
			}
			dec := xml.NewDecoder(strings.NewReader(svg))
			for {
				if _, err := dec.Token(); errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
			}
			if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
				t.Fatalf("%s has no number:\n%s", name, svg)
			}
		}
	})
}
