package capture

import (
	"fmt"
	"math"
)

func Debug(c Capture) string {
	t, ok := c.(*turning)
	if !ok {
		return ""
	}
	k := &t.rock
	s := fmt.Sprintf("%d/%d %s|dwell=%.2f tremor=%.2fmrad ratio=%.2f stray=%.3f z=%.1f n=%d dof=%.0f c=%.0f ends", t.tried, t.turns.minima(), t.why, k.p[pDwell], 1e3*math.Sqrt(k.q/2/k.c), k.ratio(), k.strays(), k.worstPass(), len(k.t), k.dof, k.c)
	for i := range k.ends {
		s += fmt.Sprintf(" %.2f/%.1f°", k.p[pEnd+2*i]-k.p[pEnd], k.p[pEnd+2*i+1]*57.3)
	}
	return s
}

func Facts(c Capture) []float64 {
	t, ok := c.(*turning)
	if !ok {
		return nil
	}
	k := &t.rock
	swing := 0.0
	for i := range k.ends {
		swing += math.Abs(k.p[pEnd+2*i+1]) / float64(k.ends)
	}
	half, rhythm := k.rhythm()
	return []float64{math.Sqrt(k.q/2/k.c) / swing, k.p[pDwell], k.worstPass(), k.ratio(), k.strays(), k.uncertainty(), half, rhythm, swing * 57.3, float64(k.ends - 1)}
}
