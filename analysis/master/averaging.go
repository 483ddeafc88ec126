package master

import (
	"fmt"
	"math"
	"time"

	"fairbore/analysis"
)

// Smoothing states how a gauge smooths its values. It takes the mean of its samples over Averages, and
// filters them by a first-order filter with the time constant Lag. Stated distinguishes a stated 0
// from nothing stated.
//
// Near square the excess over the size is z² with z = v·t. A mean over T, centred on square, shows
// v²·T²/12 of it. A first-order filter of time constant τ has its smallest value v²·τ² too high, as
// its response to v²t² is v²((t−τ)² + τ²). Together they make the size too large by v²·q with q =
// T²/12 + τ². q is the variance of the filter's impulse response, and the variances of filters in
// series add.
type Smoothing struct {
	Averages, Lag time.Duration
	Stated        bool
}

// Square returns q, s².
func (s Smoothing) Square() float64 {
	t, tau := s.Averages.Seconds(), s.Lag.Seconds()
	return t*t/12 + tau*tau
}

// StatedWithin is the relative half width of q. T and τ are each assumed to be known to ± 10 %, and q
// grows with their squares.
const StatedWithin = 0.2

// UsualAveraging is the longest time over which a gauge is assumed to average if nothing is stated. It
// makes q rectangular from 0 to its square / 12.
const UsualAveraging = 100 * time.Millisecond

// UnknownSmoothing returns the standard uncertainty of q, in s², to use where nothing is stated and nothing is
// corrected. It is the root mean square of q, because what is not corrected counts fully (JCGM
// 100:2008, F.2.4.5). Before any reading q is rectangular from 0 to that of [UsualAveraging], and the
// readings narrow this by Bayes' rule. A negative estimate counts as 0. measured says that the
// readings tell more than the assumption. An estimate from them that lies above the rectangle by more
// than three standard uncertainties is used alone, because the assumption was wrong.
func UnknownSmoothing(a analysis.Averaging) (u float64, measured bool) {
	most := Smoothing{Averages: UsualAveraging}.Square()
	q, s, ok := a.Square()
	if !ok {
		return most / math.Sqrt(3), false
	}
	q = max(q, 0)
	measured = s < most/math.Sqrt(12)
	likely := min(q, most)
	if measured && q > most+reportSigmas*s {
		likely, most = q, q+8*s
	}
	low, high := max(0, likely-8*s), min(most, likely+8*s)
	const steps = 200 // Simpson's rule
	var weight, square float64
	for i := range steps + 1 {
		x := low + (high-low)*float64(i)/steps
		w := math.Exp((likely - x) * (likely + x - 2*q) / (2 * s * s)) // 1 at the likeliest q
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

// reportSigmas is by how many standard uncertainties a q must differ to be reported. minReported is
// the shortest averaging time worth reporting: at 1600 µm/s², a brisk rock, it makes the size 0.05
// µm too large.
const (
	reportSigmas = 3
	minReported  = 20 * time.Millisecond
)

// SmoothingDiffers says that a gauge smooths otherwise than stated, or that it smooths where nothing is stated.
// It returns the zero phrase if the readings do not show that.
func SmoothingDiffers(a analysis.Averaging, now Smoothing) analysis.Phrase {
	q, u, ok := a.Square()
	off := q - now.Square()
	if !ok || math.Abs(off) <= max(reportSigmas*u, Smoothing{Averages: minReported}.Square()) {
		return analysis.Phrase{}
	}
	switch {
	case !now.Stated && off < 0:
		return analysis.Phrase{} // q is below 0: no averaging time gives that
	case !now.Stated:
		return analysis.Say("master.averages", averagingTime(q).Round(time.Millisecond), propose(q, now))
	}
	return analysis.Say("master.averages_otherwise", now.String(), propose(q, now))
}

// String returns the smoothing in the terms of the configuration.
func (s Smoothing) String() string {
	if s.Lag > 0 && s.Averages > 0 {
		return fmt.Sprintf("averages: %s, lag: %s", spell(s.Averages), spell(s.Lag))
	}
	if s.Lag > 0 {
		return "lag: " + spell(s.Lag)
	}
	return "averages: " + spell(s.Averages)
}

// averagingTime returns the averaging time with that q; 0 for none.
func averagingTime(q float64) time.Duration {
	return time.Duration(math.Sqrt(12*max(q, 0)) * float64(time.Second))
}

// propose returns what to state for that q where now is stated. A lag alone stays a lag.
func propose(q float64, now Smoothing) string {
	tau := now.Lag.Seconds()
	switch {
	case now.Lag > 0 && (now.Averages == 0 || q <= tau*tau):
		return Smoothing{Lag: roundTime(time.Duration(math.Sqrt(max(q, 0)) * float64(time.Second)))}.String()
	case now.Lag > 0:
		return Smoothing{Averages: roundTime(averagingTime(q - tau*tau)), Lag: now.Lag}.String()
	}
	return Smoothing{Averages: roundTime(averagingTime(q))}.String()
}

// roundTime rounds to 5 ms, as nobody knows the time any better.
func roundTime(d time.Duration) time.Duration { return d.Round(5 * time.Millisecond) }

func spell(d time.Duration) string {
	return fmt.Sprintf("%d ms", d.Round(time.Millisecond).Milliseconds())
}
