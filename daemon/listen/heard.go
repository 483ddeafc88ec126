package listen

import (
	"math"
	"time"

	"fairbore/drivers"
)

// MarkDamaged is the mark of a recording at which a byte came damaged.
const MarkDamaged = "line error"

// Heard is what passed while the line was set in one way.
type Heard struct {
	Line    drivers.Serial  // zero: the bytes came without one, as over a network
	Keys    bool            // the bytes are records of an input device
	Driver  string          // the driver that made the requests; "" if nothing was asked
	Options drivers.Options // of it
	Entries []drivers.Entry // by time since listening began
	Shown   []Shown         // what the gauge's own display showed meanwhile
}

// Shown is what a person read off the gauge's display.
type Shown struct {
	Text string        // "-0.0044 mm"
	At   time.Duration // by the clock of the entries; 0: some time while listening
}

// display is Shown as a number.
type display struct {
	drivers.Sample
	at time.Duration
}

// read reads the number and unit off a display, with a decimal point or comma.
func (s Shown) read() (display, bool) {
	for _, mark := range []string{"point", "comma"} {
		dec := decoder("line", drivers.Options{"decimal": mark})
		if out, err := dec.Decode([]byte(s.Text), nil); err == nil && len(out) == 1 {
			return display{out[0], s.At}, true
		}
	}
	return display{}, false
}

// digitsOf counts the significant digits: 4 of 12.70 and 2 of 0.0044.
func digitsOf(n int64) int {
	count := 0
	for ; n != 0; n /= 10 {
		count++
	}
	return count
}

// strong reports whether the number is so long that no other reading of the
// bytes is likely to give it by chance.
func (d display) strong() bool { return digitsOf(d.Digits) >= 3 }

// equals reports whether a sample is what the display showed, to the display's
// last digit where round allows the sample more of them.
func (d display) equals(s drivers.Sample, round bool) bool {
	switch {
	case d.Unit != drivers.NoUnit && s.Unit != drivers.NoUnit && s.Unit != d.Unit:
		return false
	case s.Places == d.Places:
		return s.Digits == d.Digits
	case !round || s.Places < d.Places:
		return false
	}
	a, b := float64(s.Digits)*math.Pow10(-s.Places), float64(d.Digits)*math.Pow10(-d.Places)
	return math.Abs(a-b) <= 0.51*math.Pow10(-d.Places)
}

// decoder makes a decoder whose options are known to be good; nil otherwise.
func decoder(driver string, o drivers.Options) drivers.Decoder {
	d, err := drivers.Find(driver)
	if err != nil {
		return nil
	}
	dec, err := d.Decoder(o)
	if err != nil {
		return nil
	}
	return dec
}
