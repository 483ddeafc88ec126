package capture_test

import (
	"math"
	"slices"
	"time"

	"fairbore/drivers/simulator"
)

// The simpler ways to read a rocked gauge, to compare with. They are given the
// samples of the place alone, without spikes' company of drag and withdrawal:
// more than they would know.

type point struct{ t, v float64 } // s, µm

func between(points []simulator.Point, from, to time.Duration) (out []point) {
	for _, p := range points {
		if p.T >= from && p.T <= to && p.Text == "" {
			out = append(out, point{p.T.Seconds(), p.Value.Micrometres()})
		}
	}
	return out
}

// smallest keeps the smallest sample.
func smallest(v []point) (float64, bool) {
	if len(v) == 0 {
		return 0, false
	}
	return slices.MinFunc(v, func(a, b point) int {
		if a.v < b.v {
			return -1
		}
		return 1
	}).v, true
}

// lastStable takes the mean of the last half second that stays within 2 µm.
func lastStable(v []point) (float64, bool) {
	for end := len(v); end > 0; end-- {
		lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
		for i := end - 1; i >= 0; i-- {
			lo, hi, sum, n = min(lo, v[i].v), max(hi, v[i].v), sum+v[i].v, n+1
			if hi-lo > 2 {
				break
			}
			if v[end-1].t-v[i].t >= 0.5 && n >= 2 {
				return sum / float64(n), true
			}
		}
	}
	return 0, false
}

// medianParabola fits a parabola to the samples within 6 µm of each minimum and
// takes the median of three or more that agree within 0.8 µm.
func medianParabola(v []point, s float64) (float64, bool) {
	var found []float64
	h := max(4, 8*s)
	falling, best, from := true, 0, 0
	for i := range v {
		switch {
		case falling && v[i].v < v[best].v, !falling && v[i].v > v[best].v:
			best = i
		case falling && v[i].v > v[best].v+h:
			end := i
			for end < len(v) && v[end].v < v[best].v+6 {
				end++
			}
			if x, ok := parabola(v[from:end], v[best]); ok {
				found = append(found, x)
			}
			falling, best = false, i
		case !falling && v[i].v < v[best].v-h:
			falling, from, best = true, best, i
		}
	}
	slices.Sort(found)
	for i := 0; i+3 <= len(found); i++ {
		n := 3
		for i+n < len(found) && found[i+n]-found[i] < 0.8 {
			n++
		}
		if found[i+2]-found[i] < 0.8 {
			return found[i+n/2], true
		}
	}
	return 0, false
}

// parabola returns the vertex of the least-squares parabola through the samples
// within 6 µm above the lowest: 5 or more, 2 or more on each side, rms below 1 µm.
func parabola(v []point, lowest point) (float64, bool) {
	var a [3][4]float64
	var used []point
	left := 0
	for _, p := range v {
		if p.v > lowest.v+6 || math.Abs(p.t-lowest.t) > 1 {
			continue
		}
		x, y := p.t-lowest.t, p.v-lowest.v
		used = append(used, point{x, y})
		if x < 0 {
			left++
		}
		row := [3]float64{1, x, x * x}
		for r := range 3 {
			for c := range 3 {
				a[r][c] += row[r] * row[c]
			}
			a[r][3] += row[r] * y
		}
	}
	if len(used) < 5 || left < 2 || len(used)-left < 3 {
		return 0, false
	}
	for i := range 3 {
		for r := range 3 {
			if r != i {
				f := a[r][i] / a[i][i]
				for c := range 4 {
					a[r][c] -= f * a[i][c]
				}
			}
		}
	}
	p0, p1, p2 := a[0][3]/a[0][0], a[1][3]/a[1][1], a[2][3]/a[2][2]
	ss := 0.0
	for _, u := range used {
		d := u.v - p0 - p1*u.t - p2*u.t*u.t
		ss += d * d
	}
	if !(p2 > 0) || math.Sqrt(ss/float64(len(used))) > 1 {
		return 0, false
	}
	return lowest.v + p0 - p1*p1/(4*p2), true
}
