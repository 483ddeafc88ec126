package listen

import (
	"math"
	"time"

	"fairbore/drivers"
)

// MarkDamaged is the mark of a recording where a byte was damaged.
const MarkDamaged = "line error"

// Heard is what passed while the line had one setting.
type Heard struct {
	Line    drivers.Serial  // zero: there is no line setting, as over a network
	Keys    bool            // the bytes are records of an input device
	Driver  string          // the driver that made the requests; "" if none were sent
	Options drivers.Options // options of that driver
	Entries []drivers.Entry // by time since listening began
	Shown   []Shown         // what the gauge's own display showed meanwhile

	size int // bytes in Entries, while a [Listener] adds to them
}

// Shown is what a person read on the gauge's display.
type Shown struct {
	Text string        // "-0.0044 mm"
	At   time.Duration // by the clock of the entries; 0: some time while listening
}

// display is Shown as a number.
type display struct {
	drivers.Sample
	at time.Duration
}

// read reads the number and the unit of a display, with a decimal point or comma.
func (s Shown) read() (display, bool) {
	for _, mark := range []string{"point", "comma"} {
		dec := decoder("line", drivers.Options{"decimal": mark})
		if out, err := dec.Decode([]byte(s.Text), nil); err == nil && len(out) == 1 {
			return display{out[0], s.At}, true
		}
	}
	return display{}, false
}

// digitsOf counts the significant digits: 4 in 12.70 and 2 in 0.0044.
func digitsOf(n int64) int {
	count := 0
	for ; n != 0; n /= 10 {
		count++
	}
	return count
}

// strong reports whether the number is so long that a wrong reading of the bytes is unlikely to
// give it by chance.
func (d display) strong() bool { return digitsOf(d.Digits) >= 3 }

// equals reports whether a sample is what the display showed. With round the sample may have more
// digits than the display.
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

// decoder makes a decoder from options that are known to be good; otherwise nil.
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
