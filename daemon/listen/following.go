package listen

import (
	"fmt"
	"math"
	"time"

	"fairbore/drivers"
)

// valued is a value and the time when it came.
type valued struct {
	at    time.Duration
	value float64 // in counts of the last place
}

const (
	levelLeast  = 5                      // least number of samples in a row that make a level
	levelCounts = 5                      // largest difference between them, in counts
	stepCounts  = 100                    // least difference of two levels, in counts
	stepLongest = time.Second            // of a step; a hand is slower
	stepsLeast  = 3                      // least number of steps for a result
	stampGap    = 500 * time.Millisecond // longer intervals are not part of the gauge's timing
)

// following finds out how quickly a gauge follows a step, such as a released contact. averages is
// the longest time over which it may average its samples, dt the interval between its samples. ok
// is false if fewer than three steps came.
//
// For each way from one level to another, the changes Δy between samples, placed at the middles of
// their intervals, are the gauge's impulse response in bins. Its variance less dt²/12 (Sheppard's
// correction) is T²/12 for a mean over T. A hand that releases slowly adds to it, so that the
// smallest value is used.
func following(values []valued) (averages, dt time.Duration, ok bool) {
	steps, least, interval := 0, math.Inf(1), 0.0
	for from := 0; from+1 < len(values); {
		end := level(values, from)
		if end-from < levelLeast {
			from++
			continue
		}
		next := end // the start of the next level
		for next < len(values) && level(values, next)-next < levelLeast && values[next].at-values[end-1].at < stepLongest {
			next++
		}
		if next == len(values) {
			break
		}
		if q, p, good := response(values[end-1 : next+1]); good && level(values, next)-next >= levelLeast {
			steps, interval = steps+1, p
			least = min(least, q)
		}
		from = next
	}
	if steps < stepsLeast {
		return 0, 0, false
	}
	seconds := func(s float64) time.Duration {
		return time.Duration(s * float64(time.Second)).Round(time.Millisecond)
	}
	return seconds(math.Sqrt(12 * max(0, least))), seconds(interval), true
}

// level returns the end of the level that begins at from.
func level(values []valued, from int) (end int) {
	low, high := values[from].value, values[from].value
	for end = from + 1; end < len(values) && values[end].at-values[end-1].at < stampGap; end++ {
		if low, high = min(low, values[end].value), max(high, values[end].value); high-low > levelCounts {
			break
		}
	}
	return end
}

// response returns the variance in s² of the impulse response between the first and the last value,
// and the mean interval in s. good is false if it is not a step.
func response(way []valued) (q, dt float64, good bool) {
	n := len(way) - 1
	height := way[n].value - way[0].value
	if math.Abs(height) < stepCounts {
		return 0, 0, false
	}
	dt = (way[n].at - way[0].at).Seconds() / float64(n)
	var mean, square float64
	for i := 1; i <= n; i++ {
		part := (way[i].value - way[i-1].value) / height
		if part < -levelCounts/math.Abs(height) {
			return 0, 0, false // the value turned back
		}
		at := (way[i].at + way[i-1].at - 2*way[0].at).Seconds() / 2
		mean += part * at
		square += part * at * at
	}
	return square - mean*mean - dt*dt/12, dt, true
}

// noteTiming finds out from the frames of a proposal how quickly the gauge follows, and in what
// time steps its values are handed over.
func (p *Proposal) noteTiming(frames []framed) {
	var values []valued
	var intervals []time.Duration
	for _, f := range frames {
		for _, s := range f.samples {
			if s.Channel != p.Size {
				continue
			}
			v := valued{f.at, float64(s.Digits) * math.Pow10(p.Places-s.Places)}
			if n := len(values); n > 0 && v.at >= values[n-1].at && v.at-values[n-1].at < stampGap {
				intervals = append(intervals, v.at-values[n-1].at)
			}
			values = append(values, v)
		}
	}
	p.Stamps = drivers.StampStep(intervals)
	if t, dt, ok := following(values); ok {
		p.Averages, p.Interval = t, dt
	}
}

// timing says what the times of the values tell, a sentence each.
func (p *Proposal) timing() (told []string) {
	if p.Stamps > 0 {
		told = append(told, fmt.Sprintf("its values are handed over every %d ms only: set the adapter's latency to 1 ms", p.Stamps.Milliseconds()))
	}
	switch {
	case p.Interval == 0:
	case p.Averages <= p.Interval:
		told = append(told, fmt.Sprintf("it follows a step within one value (%d ms): it averages over no more than that", p.Interval.Milliseconds()))
	default:
		told = append(told, fmt.Sprintf("it follows a step as if it averaged over %d ms, unless the hand was as slow", p.Averages.Milliseconds()))
	}
	return told
}
