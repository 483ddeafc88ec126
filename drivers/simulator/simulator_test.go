package simulator

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
)

func seeded(n uint64) *rand.Rand { return rand.New(rand.NewPCG(n, 20)) }

// Against closed forms worked out by hand (geometry): (D-2r)(1/cos t - 1), and
// to second order -2h²/(D-2r).
func TestGeometry(t *testing.T) {
	g := GaugeModel{Tip: 2 * analysis.Millimetre}
	size := analysis.Inch // 25.4 mm
	for deg, want := range map[float64]float64{1: 3.260, 2: 13.045, 3: 29.37, 5: 81.75} {
		if got := g.Excess(size, deg*degree); math.Abs(got-want) > 0.01 {
			t.Errorf("excess at %g°: %.3f µm, want %.3f", deg, got, want)
		}
	}
	for h, want := range map[float64]float64{50: -0.2336, 100: -0.9346} {
		if got := g.Chord(size, h); math.Abs(got-want) > 0.001 {
			t.Errorf("chord at %g µm: %.4f µm, want %.4f", h, got, want)
		}
	}
}

// A gauge without noise shows the size itself at every turn the truth names, and
// never less.
func TestTurnsShowTheSize(t *testing.T) {
	for seed := range uint64(40) {
		rng := seeded(seed)
		p := Draw(TwoPoint, Good, 2000, rng)
		p.Gauge.Noise, p.Gauge.Step, p.Tremor, p.Drift, p.Profile = 0, 1, 0, 0, 0
		p.Stream = Stream{}
		points, tr := Run(p, rng)
		pl := tr.Places[0]
		if !pl.Must || len(pl.Turns) < p.Turns {
			t.Fatalf("seed %d: must %v, %d turns named, want at least %d", seed, pl.Must, len(pl.Turns), p.Turns)
		}
		for _, turn := range pl.Turns {
			near := analysis.Length(math.MaxInt64)
			for _, q := range points {
				if d := q.T - turn; d.Abs() < 2*time.Millisecond {
					near = min(near, q.Value)
				}
			}
			if near < p.Size || near > p.Size+500 { // 0.05 µm: half a sample beside the turn
				t.Errorf("seed %d: shows %d at the turn at %s, want %d", seed, near, turn, p.Size)
			}
		}
	}
}

func TestVisits(t *testing.T) {
	for _, contact := range []Contact{TwoPoint, ThreePoint, Air} {
		for _, v := range Visits() {
			for seed := range uint64(50) {
				rng := seeded(seed)
				p := Draw(contact, v, 20, rng)
				points, tr := Run(p, rng)
				checkVisit(t, p, points, tr)
			}
		}
	}
}

func checkVisit(t *testing.T, p Params, points []Point, tr Truth) {
	t.Helper()
	if tr.In >= tr.Out || tr.Visit != p.Visit {
		t.Errorf("%v: in %s to %s", p.Visit, tr.In, tr.Out)
	}
	for i, q := range points {
		if q.Value%p.Gauge.Step != 0 {
			t.Fatalf("%v: %d is no step of %d", p.Visit, q.Value, p.Gauge.Step)
		}
		if i > 0 && q.T < points[i-1].T {
			t.Fatalf("%v: time runs backwards at %s", p.Visit, q.T)
		}
	}
	if first := points[0].Value; first < p.Size+200*analysis.Micrometre {
		t.Errorf("%v: free air shows %d, at size %d", p.Visit, first, p.Size)
	}
	want := map[Visit]int{Move: 2, Dragged: 0}
	n, given := want[p.Visit]
	if !given {
		n = 1
	}
	if len(tr.Places) != n {
		t.Errorf("%v: %d places, want %d", p.Visit, len(tr.Places), n)
	}
	for _, pl := range tr.Places {
		if pl.From < tr.In || pl.To > tr.Out || pl.From >= pl.To {
			t.Errorf("%v: place from %s to %s in %s to %s", p.Visit, pl.From, pl.To, tr.In, tr.Out)
		}
		if pl.Must && p.Visit != Good && p.Visit != Move {
			t.Errorf("%v must be captured", p.Visit)
		}
		never := p.Visit == Parked && p.DragTilt > 5*p.Sway
		if p.Gauge.Contact == TwoPoint && never && len(pl.Turns) > 0 {
			t.Errorf("%v at %.2f rad: %d passes through square", p.Visit, p.DragTilt, len(pl.Turns))
		}
	}
}

func TestFaults(t *testing.T) {
	for _, f := range Faults() {
		rng := seeded(uint64(f))
		p := Draw(TwoPoint, Good, 20, rng)
		p.Stream = Stream{Fault: f, FaultAt: 0.4, Lasts: 1}
		points, tr := Run(p, rng)
		if tr.Places[0].Must || tr.Fault != f {
			t.Errorf("%v: must be captured", f)
		}
		last := points[len(points)-1]
		var same, text int
		for i, q := range points {
			if i > 0 && q.T == points[i-1].T {
				same++
			}
			if q.Text != "" {
				text++
			}
		}
		switch f {
		case StuckValue:
			if points[len(points)-5].Value != last.Value || last.Value > p.Size+150*analysis.Micrometre {
				t.Errorf("%v: ends at %d", f, last.Value)
			}
		case Burst:
			if same < 15 {
				t.Errorf("%v: %d values at one moment, want about 20", f, same)
			}
		case UnitSwitch:
			if r := float64(p.Size) / float64(last.Value); math.Abs(r-25.4) > 0.5 {
				t.Errorf("%v: ratio %f", f, r)
			}
		case Sign:
			if last.Value > 0 {
				t.Errorf("%v: %d", f, last.Value)
			}
		case ErrorText:
			if text < 15 || last.Text != "" {
				t.Errorf("%v: %d texts, ends with %q", f, text, last.Text)
			}
		}
	}
}

func TestFormat(t *testing.T) {
	for _, tc := range []struct {
		v      analysis.Length
		unit   analysis.Unit
		places int
		want   string
	}{
		{222_275_400, analysis.MM, 5, "+22.22754 mm\r\n"},
		{222_275_400, analysis.MM, 4, "+22.2275 mm\r\n"},
		{222_275_400, analysis.IN, 6, "+0.875100 in\r\n"},
		{-50_000, analysis.MM, 4, "-0.0050 mm\r\n"},
		{9_999_960, analysis.MM, 4, "+1.0000 mm\r\n"},
		{30 * analysis.Millimetre, analysis.MM, 0, "+30 mm\r\n"},
	} {
		g := GaugeModel{Unit: tc.unit, Places: tc.places}
		if got := string(g.Format(nil, Point{Value: tc.v})); got != tc.want {
			t.Errorf("%d: %q, want %q", tc.v, got, tc.want)
		}
	}
	g := GaugeModel{Places: 4}
	if got := string(g.Format(nil, Point{Text: "Error"})); got != "Error\r\n" {
		t.Errorf("text: %q", got)
	}
}

// The means that the tables were published with.
func TestTables(t *testing.T) {
	means := map[string][]float64{
		"J-4107": {22.1636, 22.1872, 22.2081, 22.2230, 22.2277, 22.2293},
		"J-4112": {31.7251, 31.7330, 31.7401, 31.7449, 31.7476, 31.7494, 31.7506, 31.7513},
		"J-4120": {15.8470, 15.8569, 15.8662, 15.8735, 15.8774, 15.8802},
		"J-4131": {44.4087, 44.4406, 44.4536, 44.4598, 44.4608},
	}
	for _, j := range Jobs() {
		if len(j.Rounds) != len(means[j.ID]) {
			t.Fatalf("%s: %d rounds, want %d", j.ID, len(j.Rounds), len(means[j.ID]))
		}
		for i, r := range j.Rounds {
			if len(r.Sizes) != len(j.Plan()) {
				t.Fatalf("%s round %d: %d sizes for %d places", j.ID, i, len(r.Sizes), len(j.Plan()))
			}
			var sum analysis.Length
			for _, v := range r.Sizes {
				sum += v
			}
			mean := float64(sum) / float64(len(r.Sizes)) / float64(analysis.Millimetre)
			if math.Abs(mean-means[j.ID][i]) > 0.00006 { // printed to 0.1 µm, with rounded cells
				t.Errorf("%s round %d: mean %.5f, want %.4f", j.ID, i, mean, means[j.ID][i])
			}
		}
		if j.Gauge.ID == "" || j.Low >= j.High {
			t.Errorf("%s: gauge %q, limits %d to %d", j.ID, j.Gauge.ID, j.Low, j.High)
		}
	}
	if _, err := FindJob("J-1"); err == nil {
		t.Error("found a job that is not there")
	}
}

// Played with a button, every line is the table's size to half a step.
func TestSessionButton(t *testing.T) {
	for _, j := range Jobs() {
		var ring, places, spells int
		for s := range j.Session(Play{Button: true}, seeded(1)) {
			switch s.Act {
			case Honing:
				spells++
				continue
			case Master:
				ring++
			case Measure:
				if s.Size != j.Rounds[s.Round].Sizes[places%len(j.Plan())] {
					t.Fatalf("%s round %d %v: size %d", j.ID, s.Round, s.Place, s.Size)
				}
				places++
			}
			if len(s.Frames) != 1 {
				t.Fatalf("%s: %d lines for a press", j.ID, len(s.Frames))
			}
			if got := parseLine(t, s.Frames[0].Bytes); (got - s.Size).Abs() > j.Gauge.Step/2+1 {
				t.Errorf("%s: %q for %d", j.ID, s.Frames[0].Bytes, s.Size)
			}
		}
		if ring != 4 || spells != len(j.Rounds)-1 || places != len(j.Rounds)*len(j.Plan()) {
			t.Errorf("%s: %d masterings, %d places, %d spells", j.ID, ring, places, spells)
		}
	}
}

// Streamed, the times never run backwards, and the session is the same for the
// same seed.
func TestSessionStream(t *testing.T) {
	j, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	play := func(seed uint64) (out []byte) {
		var last time.Duration
		for s := range j.Session(Play{Zero: 2 * analysis.Micrometre}, seeded(seed)) {
			for _, c := range s.Frames {
				if c.At < last || c.At < s.From || c.At > s.To {
					t.Fatalf("%v: bytes at %s after %s, step %s to %s", s.Act, c.At, last, s.From, s.To)
				}
				last = c.At
				out = append(out, c.Bytes...)
			}
			if s.Act == Measure && (s.Truth.Places[0].Size-s.Size).Abs() != 2*analysis.Micrometre {
				t.Fatalf("shown %d of %d, zero 2 µm", s.Truth.Places[0].Size, s.Size)
			}
		}
		return out
	}
	a, b, c := play(7), play(7), play(8)
	if !bytes.Equal(a, b) {
		t.Error("one seed, two sessions")
	}
	if bytes.Equal(a, c) {
		t.Error("two seeds, one session")
	}
	for s := range j.Session(Play{}, seeded(1)) { // stopping early is allowed
		if s.Act == Measure {
			break
		}
	}
}

// A three-point gauge shows the mean over the angles.
func TestThreePointBlindToOval(t *testing.T) {
	j, err := FindJob("J-4131")
	if err != nil {
		t.Fatal(err)
	}
	g := gauge("G-21")
	for s := range j.Session(Play{Button: true, Gauge: &g}, seeded(1)) {
		if s.Act == Measure && s.Place.Depth == 127*analysis.Millimetre {
			if want := analysis.Length(444_035_333); s.Size != want { // (44.4071+44.4042+44.3993)/3
				t.Errorf("%v: %d, want %d", s.Place, s.Size, want)
			}
			if s.Place.Angle == 120*analysis.Degree {
				break
			}
		}
	}
}

func parseLine(t *testing.T, line []byte) analysis.Length {
	t.Helper()
	f := strings.Fields(string(line))
	v, err := strconv.ParseFloat(f[0], 64)
	if err != nil || len(f) != 2 {
		t.Fatalf("line %q", line)
	}
	if f[1] == "in" {
		return analysis.Length(math.Round(v * float64(analysis.Inch)))
	}
	return analysis.Length(math.Round(v * float64(analysis.Millimetre)))
}

// The bore starts as first gauged, to the noise and rounding of the table.
func TestBoreStart(t *testing.T) {
	for _, j := range Jobs() {
		b := j.StoryPart()
		for k, p := range j.Plan() {
			got := b.Size(p)
			if d := (got - j.Rounds[0].Sizes[k]).Abs(); d > 4*analysis.Micrometre/10 {
				t.Errorf("%s %v: %d, gauged %d", j.ID, p, got, j.Rounds[0].Sizes[k])
			}
		}
	}
}

// Honed by the story's strokes without its corrective work, the mean ends within
// 5 µm of the table's.
func TestBoreHone(t *testing.T) {
	for _, j := range Jobs() {
		b := j.StoryPart()
		b.Scatter = 0
		rng := seeded(1)
		for _, r := range j.Rounds {
			b.Hone(r.Strokes, Spell{}, rng)
			if r.Strokes > 0 && b.Warmth() <= 0 {
				t.Errorf("%s: not warm after %d strokes", j.ID, r.Strokes)
			}
		}
		warm := b.Size(analysis.Place{Depth: j.Sections[1]})
		b.Cool(24 * time.Hour)
		if cool := b.Size(analysis.Place{Depth: j.Sections[1]}); cool >= warm {
			t.Errorf("%s: %d warm, %d cool", j.ID, warm, cool)
		}
		var got, want float64
		for k, p := range j.Plan() {
			got += (b.Size(p) - j.Nominal).Micrometres() / float64(len(j.Plan()))
			want += (j.Rounds[len(j.Rounds)-1].Sizes[k] - j.Nominal).Micrometres() / float64(len(j.Plan()))
		}
		if math.Abs(got-want) > 5 {
			t.Errorf("%s: mean %.1f µm from nominal, table %.1f", j.ID, got, want)
		}
	}
}

func TestBoreSpell(t *testing.T) {
	b := &Part{Length: 40 * analysis.Millimetre, Start: 20 * analysis.Millimetre, FreshRate: 1, GlazedRate: 1, GlazeStrokes: 10, Blind: 10 * analysis.Millimetre}
	b.Hone(10, Spell{Stretch: analysis.Stretch{To: 10 * analysis.Millimetre}, Rest: 0.2}, seeded(1))
	for depth, want := range map[analysis.Length]float64{5 * analysis.Millimetre: 10, 20 * analysis.Millimetre: 2, 40 * analysis.Millimetre: 1.6} {
		if got := (b.Size(analysis.Place{Depth: depth}) - b.Start).Micrometres(); math.Abs(got-want) > 1e-3 {
			t.Errorf("at %d mm: %.4f µm off, want %.4f", depth/analysis.Millimetre, got, want)
		}
	}
	if got := b.Hone(0, Spell{}, seeded(1)); got != 0 {
		t.Errorf("no strokes take off %f", got)
	}
	rate := func() float64 { return b.Hone(1, Spell{}, seeded(1)) }
	b.GlazedRate = 0.2
	slow := rate()
	if b.Dress(); rate() <= slow {
		t.Error("a dressed stone cuts no faster")
	}
}

func ExampleJob_Session() {
	j, err := FindJob("J-4107")
	if err != nil {
		fmt.Println(err)
		return
	}
	n := 0
	for s := range j.Session(Play{Button: true, Masterings: 1}, rand.New(rand.NewPCG(1, 1))) {
		fmt.Println(s.Act, strings.TrimSpace(string(s.Frames[0].Bytes)))
		if n++; n == 3 {
			break
		}
	}
	// Output:
	// master +22.2251 mm
	// measure +22.1627 mm
	// measure +22.1567 mm
}
