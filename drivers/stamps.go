package drivers

import (
	"math"
	"slices"
	"time"
)

const (
	minIntervals     = 32                      // fewest intervals to judge by
	minClusterGap    = 1500 * time.Microsecond // least distance of two clusters of intervals; what computer and line add is less
	minClusterShare  = 0.05                    // least share of the intervals that makes a cluster
	minClustered     = 0.9                     // least share of the intervals that lies in clusters
	maxClusterOffset = 0.15                    // largest offset of a cluster from a whole number of steps, in steps
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
	if len(intervals) < minIntervals {
		return 0
	}
	means, in := clusters(slices.Sorted(slices.Values(intervals)))
	if len(means) < 2 || float64(in) < minClustered*float64(len(intervals)) {
		return 0
	}
	step := math.Inf(1)
	for i := 1; i < len(means); i++ {
		step = min(step, means[i]-means[i-1])
	}
	for _, m := range means {
		if math.Abs(m/step-math.Round(m/step)) > maxClusterOffset {
			return 0
		}
	}
	first := math.Round(means[0] / step)
	if first > 0 && (step < 0.003 || step > 0.040) || first == 1 && (step < 0.014 || step > 0.018) {
		return 0
	}
	return time.Duration(step * float64(time.Second)).Round(time.Millisecond)
}

// clusters returns the means of the clusters of intervals, s, and how many intervals lie in them. The
// intervals are sorted.
func clusters(d []time.Duration) (means []float64, in int) {
	from := 0
	for i := range d {
		if i+1 < len(d) && d[i+1]-d[i] < minClusterGap {
			continue
		}
		if heap := d[from : i+1]; float64(len(heap)) >= minClusterShare*float64(len(d)) {
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
