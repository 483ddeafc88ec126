package picture

import "slices"

// crossings returns the x in rising order at which the line x + sign·y = c crosses the edges of
// polygons. An end point counts for only one of its two edges.
func crossings(polygons [][]Point, sign, c float64) (xs []float64) {
	for _, poly := range polygons {
		for i, p := range poly {
			q := poly[(i+1)%len(poly)]
			a, b := p.X+sign*p.Y-c, q.X+sign*q.Y-c
			if (a < 0) == (b < 0) {
				continue
			}
			xs = append(xs, p.X+(q.X-p.X)*a/(a-b))
		}
	}
	slices.Sort(xs)
	return xs
}
