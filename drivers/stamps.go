package drivers

import (
	"math"
	"slices"
	"time"
)

const (
	stampsLeast = 32                      // intervals to tell from
	stampsApart = 1500 * time.Microsecond // between two heaps of intervals; what computer and line add is less
	stampsHeap  = 0.05                    // of the intervals, the least that makes a heap
	stampsIn    = 0.9                     // of them that the heaps hold
	stampsOff   = 0.15                    // of a step that a heap may lie off a whole number of them, at most
)

// StampStep returns the step in which values are handed over, by the intervals between
// values of a gauge that streams at an even pace; 0 if they show none. Adapters that
// gather bytes for some milliseconds (16 by default in many, common practice) let the
// intervals fall on neighbouring multiples of that time, or on 0 where several values
// came at once; the pace of the gauge itself, a little uneven, makes one heap.
//
// A value that is lost now and then gives one and two of the gauge's own intervals. That
// looks like such a step with an interval of one and two steps, which is therefore only
// believed of 14 to 18 ms.
func StampStep(intervals []time.Duration) time.Duration {
	if len(intervals) < stampsLeast {
		return 0
	}
	means, in := heaps(slices.Sorted(slices.Values(intervals)))
	if len(means) < 2 || float64(in) < stampsIn*float64(len(intervals)) {
		return 0
	}
	step := math.Inf(1)
	for i := 1; i < len(means); i++ {
		step = min(step, means[i]-means[i-1])
	}
	for _, m := range means {
		if math.Abs(m/step-math.Round(m/step)) > stampsOff {
			return 0
		}
	}
	first := math.Round(means[0] / step)
	if first > 0 && (step < 0.003 || step > 0.040) || first == 1 && (step < 0.014 || step > 0.018) {
		return 0
	}
	return time.Duration(step * float64(time.Second)).Round(time.Millisecond)
}

// heaps returns the means of the heaps of intervals that are sorted, s, and how many
// intervals are in them.
func heaps(d []time.Duration) (means []float64, in int) {
	from := 0
	for i := range d {
		if i+1 < len(d) && d[i+1]-d[i] < stampsApart {
			continue
		}
		if heap := d[from : i+1]; float64(len(heap)) >= stampsHeap*float64(len(d)) {
			sum := 0.0
			for _, v := range heap {
				sum += v.Seconds()
			}
			means, in = append(means, sum/float64(len(heap))), in+len(heap)
		}
		from = i + 1
	}
	return means, in
}
