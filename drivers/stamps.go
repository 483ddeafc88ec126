package drivers

import (
	"math"
	"slices"
	"time"
)

const (
	minIntervals     = 32                      // fewest intervals for a judgement
	minClusterGap    = 1500 * time.Microsecond // least distance of two clusters of intervals; the computer and the line add less than this
	minClusterShare  = 0.05                    // least share of the intervals that a cluster has
	minClustered     = 0.9                     // least share of the intervals that all clusters have together
	maxClusterOffset = 0.15                    // largest offset of a cluster from a whole number of steps, in steps
)

// StampStep returns the step of time in which an adapter hands over values. It judges by the
// intervals between the values of a gauge that streams at an even pace, and returns 0 if they show
// no step. Adapters that gather bytes for some milliseconds (16 by default in many, common
// practice) make the intervals neighbouring multiples of that time, or 0 where several values came
// at once. The pace of the gauge itself is only a little uneven, so without an adapter the
// intervals form one cluster.
//
// If a value is lost now and then, the intervals are one and two of the gauge's own intervals. They
// look like intervals of one and two steps of an adapter. So intervals of one step are only
// believed for a step of 14 to 18 ms.
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
