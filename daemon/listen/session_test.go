package listen

import (
	"math"
	"strings"
	"time"

	"fairbore/drivers"
)

// effort is what the person who listens gives.
type effort struct {
	frames int
	shows  int     // how often the display is typed
	unit   bool    // with its unit
	noise  float64 // chance that a bit of a byte turns over on the way
	moves  bool    // the gauge is moved meanwhile
}

// usual is what fairbore listen asks a person for.
func (g gen) usual() effort {
	return effort{frames: 25 + g.IntN(20), shows: 3, unit: true, moves: true, noise: pick(g, 0, 0, 0.0005, 0.002)}
}

// values are what the gauge shows, one for each frame: held still around each
// typing of the display, below zero once if it can be.
func (g gen) values(u *unknown, n int, moves bool) (v []int64) {
	unit := int64(math.Pow10(u.places))
	base, reach := 12*unit+g.Int64N(10*unit), 2*unit
	if u.unit == drivers.Inch {
		base, reach = unit*6/10+g.Int64N(unit), unit/10
	}
	if u.minus {
		base, reach = 0, unit/2
		if u.driver != "" { // registers: beyond 16 bits only if it goes so far
			reach = unit
		}
	}
	x := base + reach/3
	for i := range n {
		if moves && i%4 == 0 {
			x = base - reach + g.Int64N(2*reach)
			switch {
			case u.minus && i/4%2 == 1 && x > 0:
				x = -x
			case !u.minus:
				x = max(x, 1)
			}
		}
		v = append(v, x)
	}
	return v
}

// heard simulates listening: other settings of the line first, then the gauge's.
func (g gen) heard(u *unknown, e effort) []Heard {
	if u.line.Baud == 0 { // a network and an input device damage nothing
		e.noise = 0
	}
	vals := g.values(u, e.frames, e.moves)
	if u.driver != "" {
		return g.asking(u, vals, e)
	}
	var shown []Shown
	at := time.Duration(500) * time.Millisecond
	var w wire
	var direct []drivers.Entry
	put := func(b []byte) {
		b = g.spoil(append([]byte(nil), b...), e.noise, u.line)
		if u.line.Baud > 0 {
			w.send(at, u.line, b)
		} else {
			direct = append(direct, drivers.Entry{At: at, Data: b})
		}
	}
	if u.stream && !u.keys { // listening begins within a frame
		f := u.frame(vals[0])
		put(f[g.IntN(len(f)):])
		at += u.period
	}
	for i, v := range vals {
		f := u.frame(v)
		put(f)
		if e.shows > 0 && i%4 == 3 && i > 3 && len(shown) < e.shows {
			shown = append(shown, g.display(u, v, at+300*time.Millisecond, e.unit))
		}
		at += u.period
		if u.second != nil {
			put(u.second())
			at += u.period
		}
		if len(u.words) > 0 && g.IntN(30) == 0 {
			put(pick(g, u.words...))
			at += u.period
		}
	}
	if u.line.Baud == 0 {
		return []Heard{{Keys: u.keys, Entries: opened(direct), Shown: shown}}
	}
	return g.swept(u, &w, shown)
}

// spoil turns bits over.
func (g gen) spoil(b []byte, chance float64, l drivers.Serial) []byte {
	for i := range b {
		if g.Float64() < chance {
			b[i] ^= 1 << g.IntN(max(l.Data, 1))
		}
	}
	return b
}

// swept is what a sweep hears of a wire: a few other speeds, and then the
// gauge's, with parity where bytes came damaged without.
func (g gen) swept(u *unknown, w *wire, shown []Shown) (out []Heard) {
	settings := []drivers.Serial{}
	for _, b := range []int{9600, 4800, 19200} {
		if b != u.line.Baud {
			settings = append(settings, drivers.Serial{Baud: b, Data: 8, Parity: "none", Stop: 1})
		}
	}
	settings = append(settings, drivers.Serial{Baud: u.line.Baud, Data: 8, Parity: "none", Stop: 1})
	if u.line.Data == 8 && u.line.Parity != "none" {
		for _, p := range []string{"even", "odd"} {
			settings = append(settings, drivers.Serial{Baud: u.line.Baud, Data: 8, Parity: p, Stop: 1})
		}
	}
	for _, l := range settings {
		h := Heard{Line: l, Entries: opened(w.receive(l))}
		if l.Baud == u.line.Baud && (u.line.Data == 7 || l.Parity == u.line.Parity) {
			h.Shown = shown
		}
		out = append(out, h)
	}
	return out
}

func opened(entries []drivers.Entry) []drivers.Entry {
	return append([]drivers.Entry{{Mark: drivers.MarkOpened}}, entries...)
}

func (g gen) display(u *unknown, v int64, at time.Duration, unit bool) Shown {
	text := drivers.Sample{Digits: v, Places: u.places}.Decimal()
	if g.IntN(4) == 0 {
		text = strings.Replace(text, ".", ",", 1)
	}
	if unit {
		text += " " + wordOf(u.unit)
	}
	return Shown{text, at}
}

// asking simulates requests by the driver that makes them.
func (g gen) asking(u *unknown, vals []int64, e effort) []Heard {
	dec := decoder(u.driver, u.probe).(drivers.Requester)
	h := Heard{Line: u.line, Driver: u.driver, Options: u.probe, Entries: opened(nil)}
	at := time.Duration(0)
	stream := drivers.Stream{Decoder: dec.(drivers.Decoder)}
	for i := 0; i < len(vals); {
		req := append([]byte(nil), dec.Request(nil)...)
		h.Entries = append(h.Entries, drivers.Entry{At: at, Out: true, Data: req})
		at += 20 * time.Millisecond
		if len(req) > 0 {
			reply := g.spoil(u.answer(req, vals[i]), e.noise, u.line)
			h.Entries = append(h.Entries, drivers.Entry{At: at, Data: reply})
			stream.Feed(reply, false, func(drivers.Found) {})
			if e.shows > 0 && i%4 == 3 && i > 3 && len(h.Shown) < e.shows {
				h.Shown = append(h.Shown, g.display(u, vals[i], at+50*time.Millisecond, e.unit))
			}
			i++
		}
		at += 1100 * time.Millisecond
		stream.Feed(nil, true, func(drivers.Found) {})
	}
	return []Heard{h}
}

// answer is what the gauge replies to a request, nothing if it is another.
func (u *unknown) answer(req []byte, v int64) []byte {
	switch {
	case u.reply != nil:
		return u.reply(req, v)
	case string(req) == u.asked:
		return u.frame(v)
	}
	return nil
}
