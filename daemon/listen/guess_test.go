package listen

import (
	"encoding/binary"
	"encoding/hex"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/drivers"
)

// spoken is a gauge that sends each text at 9600 8N1, one a second.
func spoken(texts ...string) Heard {
	h := Heard{Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, Entries: opened(nil)}
	for i, t := range texts {
		h.Entries = append(h.Entries, drivers.Entry{At: time.Duration(i+1) * time.Second, Data: []byte(t)})
	}
	return h
}

func (h Heard) showing(texts ...string) Heard {
	for _, t := range texts {
		h.Shown = append(h.Shown, Shown{Text: t})
	}
	return h
}

func openOf(p *Proposal) string {
	var all []string
	for _, o := range p.Open {
		all = append(all, said(o))
	}
	return strings.Join(all, "; ")
}

// Where the evidence is short, it is said what can't be told and what is needed.
func TestCantTell(t *testing.T) {
	for _, c := range []struct {
		name  string
		heard Heard
		needs string
	}{
		{"one frame", spoken("+12.7003 mm\r\n"), "4 are needed"},
		{"three frames", spoken("+12.7003 mm\r\n", "+12.7004 mm\r\n", "+12.6999 mm\r\n"), "4 are needed"},
		{"comma", spoken("12,7003 mm\r", "12,7104 mm\r", "12,6999 mm\r", "13,1234 mm\r", "12,5501 mm\r"), "12.5501 mm or 1: 12, 2: 5501 mm"},
		{"no display", spoken("+12.7003 mm\r", "+12.7104 mm\r", "+12.6999 mm\r", "-0.1234 mm\r", "+12.5501 mm\r"), "display may show something else"},
		{"no unit", spoken("+12.7003\r", "+12.7104\r", "+12.6999\r", "+13.1234\r", "-00.0044\r"), "no frame states it"},
		{"no point", spoken("+0127003\r", "+0127104\r", "+0126999\r", "+0131234\r", "-0000044\r"), "place of the decimal point"},
		{"another display", spoken("+12.7003 mm\r", "+12.7104 mm\r", "+12.6999 mm\r", "+13.1234 mm\r", "+12.5501 mm\r").showing("14.2231 mm"), "No frame of that time reads 14.2231 mm"},
		{"a display in inch", spoken("+12.7003 mm\r", "+12.7104 mm\r", "+12.6999 mm\r", "+13.1234 mm\r", "+12.5501 mm\r").showing("12.7003 in"), "No frame of that time reads"},
		{"two values", spoken("12.7003;25.411\r", "12.7104;25.011\r", "12.6999;24.211\r", "13.1234;2.000\r", "12.5501;7.111\r"), "any of the values 1, 2"},
		{"the largest beside it", spoken("12.7003;12.7003\r", "12.7104;12.7104\r", "12.6999;12.7104\r", "13.1234;13.1234\r", "12.5501;13.1234\r").showing("12.7104 mm", "13.1234 mm"), "any of the values 1, 2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			ps := Guess([]Heard{c.heard})
			if len(ps) == 0 {
				t.Fatal("nothing proposed")
			}
			if ps[0].Sure() || !strings.Contains(openOf(&ps[0]), c.needs) {
				t.Errorf("proposed %s %v, open %q; want one that says %q", ps[0].Driver, ps[0].Options, openOf(&ps[0]), c.needs)
			}
		})
	}
}

// The same evidence with what was asked for is enough.
func TestDisplayTells(t *testing.T) {
	for _, c := range []struct {
		name   string
		heard  Heard
		driver string
		option string
		value  string
	}{
		{"comma", spoken("12,7003 mm\r", "12,7104 mm\r", "12,6999 mm\r", "13,1234 mm\r", "12,5501 mm\r").showing("12.7104 mm"), "line", "decimal", "comma"},
		{"separator", spoken("12,7003\r", "12,7104\r", "12,6999\r", "13,1234\r", "12,5501\r").showing("7104 um"), "line", "separator", "comma"},
		{"no point", spoken("+0127003\r", "+0127104\r", "+0126999\r", "+0131234\r", "-0000044\r").showing("12.7104 mm"), "fixed", "layout", "sdddvdddd"},
	} {
		t.Run(c.name, func(t *testing.T) {
			ps := Guess([]Heard{c.heard})
			if len(ps) == 0 || !ps[0].Sure() || ps[0].Driver != c.driver || ps[0].Options[c.option] != c.value {
				t.Errorf("proposed %+v, want driver %s with %s %s", ps, c.driver, c.option, c.value)
			}
		})
	}
}

// Noise gives no proposal that is sure, and mostly none at all.
func TestNoise(t *testing.T) {
	for seed := range uint64(80) {
		r := rand.New(rand.NewPCG(seed, 3))
		h := Heard{Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, Entries: opened(nil)}
		for i := range 60 {
			b := make([]byte, 1+r.IntN(20))
			for j := range b {
				b[j] = byte(r.Uint32())
			}
			h.Entries = append(h.Entries, drivers.Entry{At: time.Duration(i) * 100 * time.Millisecond, Data: b})
		}
		if ps := Guess([]Heard{h}); len(ps) > 0 && ps[0].Sure() {
			t.Errorf("seed %d: sure of noise: %s %v", seed, ps[0].Driver, ps[0].Options)
		}
		if n := Need([]Heard{h}); !strings.Contains(n, "can't tell, need") {
			t.Errorf("noise: %s", n)
		}
	}
	if n := Need([]Heard{{Entries: opened(nil)}}); !strings.Contains(n, "--ask") {
		t.Errorf("silence: %s", n)
	}
}

// Every order of the words gives numbers: without a display none is proposed.
func TestModbusNeedsDisplay(t *testing.T) {
	g := gen{rand.New(rand.NewPCG(5, 5))}
	var u unknown
	u.places, u.unit = 4, drivers.MM
	g.modbus(&u)
	e := g.usual()
	e.shows = 0
	evidence := g.heard(&u, e)
	if ps := Guess(evidence); len(ps) > 0 {
		t.Errorf("proposed %+v", ps[0])
	}
	if n := Need(evidence); !strings.Contains(n, "need what the display shows") {
		t.Errorf("need: %s", n)
	}
}

// A person who gives less than is asked for is never misled.
func TestScoreShort(t *testing.T) {
	t.Parallel()
	table := tally{}
	for i := range 100 {
		g := gen{rand.New(rand.NewPCG(seedOf(t), uint64(10_000+i)))}
		u := g.unknown()
		e := effort{frames: 1 + g.IntN(12), shows: g.IntN(2), unit: g.IntN(2) == 0, moves: g.IntN(2) == 0, noise: pick(g, 0, 0.002)}
		v, why := g.judge(&u, Guess(g.heard(&u, e)))
		table.add(u.family, v)
		if v == wrong {
			t.Errorf("gauge %d (%s) sends %.60s: %s", i, u.family, visible(u.sample()), why)
		}
	}
	t.Logf("\n%s", table)
}

// Formats that no driver has, or only in part, never lead to a wrong value that is
// sure.
func TestForeignFormats(t *testing.T) {
	t.Parallel()
	abs := func(v int64) string { return number(v, 4, ".") }
	letter := func(v int64, plus, minus string) string {
		if v < 0 {
			return minus
		}
		return plus
	}
	largest := int64(0)
	for name, frame := range map[string]func(v int64) string{
		"sign behind":      func(v int64) string { return abs(v) + letter(v, "+", "-") + "\r" },
		"minus behind":     func(v int64) string { return abs(v) + letter(v, "", "-") + "\r" },
		"brackets":         func(v int64) string { return letter(v, abs(v), "("+abs(v)+")") + "\r" },
		"letters for sign": func(v int64) string { return letter(v, "P", "N") + abs(v) + " mm\r" },
		"digit for sign":   func(v int64) string { return letter(v, "0", "1") + abs(v) + " mm\r" },
		"exponent":         func(v int64) string { return strings.Replace(abs(v), ".", "", 1) + "E-04" + "\r" },
		"hex":              func(v int64) string { return strings.ToUpper(hex32(uint32(int32(v)))) + "\r" },
		"thousands":        func(v int64) string { return letter(v, "+", "-") + "1,2" + abs(v) + "\r" },
		"least digit first": func(v int64) string {
			b := []byte(letter(v, "+", "-") + abs(v) + "\r")
			for i, j := 1, len(b)-2; i < j; i, j = i+1, j-1 {
				b[i], b[j] = b[j], b[i]
			}
			return string(b)
		},
		"largest beside": func(v int64) string {
			largest = max(largest, v)
			return letter(v, "+", "-") + abs(v) + " " + letter(largest, "+", "-") + abs(largest) + " mm\r"
		},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(10) {
				g := gen{rand.New(rand.NewPCG(seed, 9))}
				largest = 0
				u := unknown{family: name, line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, places: 4, unit: drivers.MM,
					minus: g.IntN(2) == 0, stream: true, period: 200 * time.Millisecond, frame: func(v int64) []byte { return []byte(frame(v)) }}
				e := g.usual()
				e.shows = g.IntN(4)
				ps := Guess(g.heard(&u, e))
				if v, why := g.judge(&u, ps); v == wrong {
					t.Errorf("seed %d: %s: %s %v", seed, why, ps[0].Driver, ps[0].Options)
				}
			}
		})
	}
}

// A unit is read where it stands, also when a separator parts it from the number.
func TestUnitBehindSeparator(t *testing.T) {
	t.Parallel()
	for _, between := range []string{"", " ", ";", "; ", "/", "\t"} {
		g := gen{rand.New(rand.NewPCG(3, 9))}
		u := unknown{family: "unit behind", line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, places: 4, unit: drivers.MM,
			minus: true, stream: true, period: 200 * time.Millisecond, frame: func(v int64) []byte {
				sign := "+"
				if v < 0 {
					sign = "-"
				}
				return []byte("CH1:" + sign + number(v, 4, ".") + between + "mm\r\n")
			}}
		e := g.usual()
		e.shows = 0 // no display was told: only the frame says it
		if ps := Guess(g.heard(&u, e)); len(ps) == 0 || ps[0].Unit != drivers.MM {
			t.Errorf("%q before the unit: %+v", between, ps)
		}
	}
}

func hex32(v uint32) string { return hex.EncodeToString(binary.BigEndian.AppendUint32(nil, v)) }

// Whatever a device sends, the guess ends, proposes only drivers that can be set up, and
// claims no more frames than there are bytes.
func FuzzGuess(f *testing.F) {
	f.Add([]byte("+12.7003 mm\r\n+12.7004 mm\r\n+12.6999 mm\r\n-00.0044 mm\r\n"), uint8(13), "-0.0044 mm")
	f.Add([]byte("01A+00127003\r01A+00127004\r01A+00126999\r"), uint8(13), "")
	f.Add([]byte("\x02\x31\x32\x37\x03\x02\x31\x32\x38\x03\x02\x31\x32\x39\x03"), uint8(5), "12.7 mm")
	f.Fuzz(func(t *testing.T, data []byte, piece uint8, shown string) {
		if len(data) > 2048 {
			return // a person listens for minutes, a fuzzer for microseconds
		}
		var texts []string
		for p := range slices.Chunk(data, max(int(piece), 1)) {
			texts = append(texts, string(p))
		}
		h := spoken(texts...).showing(shown)
		for _, p := range Guess([]Heard{h}) {
			if p.Agreed > len(data) {
				t.Fatalf("%s agrees with %d frames of %d bytes", p.Driver, p.Agreed, len(data))
			}
			if decoder(p.Driver, p.Options) == nil {
				t.Fatalf("driver %s has no options %v", p.Driver, p.Options)
			}
			p.Report()
			if _, err := drivers.ParseRecording(text(p.Recording("/dev/ttyS0", "2026-11-25"))); err != nil {
				t.Fatal(err)
			}
		}
		Need([]Heard{h})
	})
}
