package master

import (
	"fmt"
	"math"
	"time"

	"fairbore/analysis"
)

// Smoothing is what is stated of how a gauge smooths its values: over Averages it takes
// the mean of its samples, with Lag it filters them by the first order. Stated tells 0
// that was stated from 0 that nobody spoke of.
//
// Near square the excess over the size is a square, z² with z = v·t, so that a mean over
// T centred on square shows v²·T²/12, and a first-order filter of the time constant τ has
// its smallest value v²·τ² too high (its answer to v²t² is v²((t−τ)² + τ²)). Together
// they make it too high by v²·q, with q = T²/12 + τ², the variance of the filter's
// impulse response: variances of filters in a row add.
type Smoothing struct {
	Averages, Lag time.Duration
	Stated        bool
}

// Square returns q in s².
func (s Smoothing) Square() float64 {
	t, tau := s.Averages.Seconds(), s.Lag.Seconds()
	return t*t/12 + tau*tau
}

// StatedWithin is the half width of q as a part of it: T and τ are each taken for known to
// ± 10 % (an assumption), and q goes with their squares.
const StatedWithin = 0.2

// UsualAveraging is the longest time over which a gauge of which nothing is stated is
// taken to average (an assumption). Of q it makes a rectangle from 0 to its square / 12.
const UsualAveraging = 100 * time.Millisecond

// Unknown returns what is to be used as the standard uncertainty of q, in s², where
// nothing is stated and nothing is taken off: the square root of the mean of q², since
// what is not corrected counts whole (JCGM 100:2008, F.2.4.5). Before any reading q is as
// likely anywhere from 0 to that of [UsualAveraging]; the readings narrow that by Bayes'
// rule. An estimate below 0 counts as 0. measured says that the readings tell more than
// the assumption does; one of theirs that lies above the rectangle by more than three
// standard uncertainties then stands alone: the assumption was wrong.
func Unknown(a analysis.Averaging) (u float64, measured bool) {
	most := Smoothing{Averages: UsualAveraging}.Square()
	q, s, ok := a.Square()
	if !ok {
		return most / math.Sqrt(3), false
	}
	q = max(q, 0)
	measured = s < most/math.Sqrt(12)
	likely := min(q, most)
	if measured && q > most+surely*s {
		likely, most = q, q+8*s
	}
	low, high := max(0, likely-8*s), min(most, likely+8*s)
	const steps = 200 // Simpson's rule
	var weight, square float64
	for i := range steps + 1 {
		x := low + (high-low)*float64(i)/steps
		w := math.Exp((likely - x) * (likely + x - 2*q) / (2 * s * s)) // 1 at the likeliest
		switch {
		case i == 0 || i == steps:
		case i%2 == 1:
			w *= 4
		default:
			w *= 2
		}
		weight, square = weight+w, square+w*x*x
	}
	return math.Sqrt(square / weight), measured
}

// surely is how many standard uncertainties a q must differ by to be told of, and
// leastTold the mean that is too short to be worth it: at 1600 µm/s², a brisk rock, the
// size is 0.05 µm too large by it.
const (
	surely    = 3
	leastTold = 20 * time.Millisecond
)

// Differs says that a gauge smooths otherwise than is stated, or that it does where
// nothing is; nothing if its readings do not show that.
func Differs(a analysis.Averaging, now Smoothing) analysis.Phrase {
	q, u, ok := a.Square()
	off := q - now.Square()
	if !ok || math.Abs(off) <= max(surely*u, Smoothing{Averages: leastTold}.Square()) {
		return analysis.Phrase{}
	}
	switch {
	case !now.Stated && off < 0:
		return analysis.Phrase{} // no gauge does
	case !now.Stated:
		return analysis.Say("master.averages", over(q).Round(time.Millisecond), propose(q, now))
	}
	return analysis.Say("master.averages_otherwise", now.String(), propose(q, now))
}

// String names what is stated as the configuration does.
func (s Smoothing) String() string {
	if s.Lag > 0 && s.Averages > 0 {
		return fmt.Sprintf("averages: %s, lag: %s", spell(s.Averages), spell(s.Lag))
	}
	if s.Lag > 0 {
		return "lag: " + spell(s.Lag)
	}
	return "averages: " + spell(s.Averages)
}

// over returns the time over which a mean has that q; 0 for none.
func over(q float64) time.Duration {
	return time.Duration(math.Sqrt(12*max(q, 0)) * float64(time.Second))
}

// propose says what to state for that q, where now is stated: a lag alone stays a lag.
func propose(q float64, now Smoothing) string {
	tau := now.Lag.Seconds()
	switch {
	case now.Lag > 0 && (now.Averages == 0 || q <= tau*tau):
		return Smoothing{Lag: near(time.Duration(math.Sqrt(max(q, 0)) * float64(time.Second)))}.String()
	case now.Lag > 0:
		return Smoothing{Averages: near(over(q - tau*tau)), Lag: now.Lag}.String()
	}
	return Smoothing{Averages: near(over(q))}.String()
}

// near rounds to 5 ms, finer than which nobody knows it.
func near(d time.Duration) time.Duration { return d.Round(5 * time.Millisecond) }

func spell(d time.Duration) string {
	return fmt.Sprintf("%d ms", d.Round(time.Millisecond).Milliseconds())
}
