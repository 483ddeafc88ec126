package simulator

import (
	"math"
	"testing"
)

// Short strokes bring the place up, the rest by its share; the strokes done
// scatter about those meant as the hand does.
func TestHand(t *testing.T) {
	job, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	rng := seeded(7)
	var front, back, sum, squares float64
	const n = 2000
	for range n {
		b := job.Bore()
		b.Fast, b.Slow, b.Oval, b.Warming = 1, 1, 0, 0
		f0, b0 := b.Size(0, 0), b.Size(job.Length, 0)
		done := Hand{Scatter: 0.15, Rest: 0.4}.Work(b, 40, []Reach{{0, job.Length / 3}}, rng)
		front += um(b.Size(0, 0)-f0) / n
		back += um(b.Size(job.Length, 0)-b0) / n
		sum, squares = sum+float64(done)/n, squares+float64(done*done)/n
	}
	if math.Abs(front-40) > 0.6 || math.Abs(back-16) > 0.3 {
		t.Errorf("front %.2f µm, want 40; back %.2f, want 16", front, back)
	}
	if cv := math.Sqrt(squares-sum*sum) / sum; math.Abs(cv-0.15) > 0.01 {
		t.Errorf("strokes scatter by %.3f, want 0.15", cv)
	}
	b := job.Bore()
	before := b.Size(job.Length/2, 0)
	if (Hand{Rest: 0.5}).Work(b, 0, nil, rng) != 0 || b.Size(job.Length/2, 0) != before {
		t.Error("no strokes took something off")
	}
	// by turns at both ends the middle gets the rest's share of all of them
	b = job.Bore()
	b.Fast, b.Slow, b.Oval, b.Warming, b.Scatter = 1, 1, 0, 0, 0
	m0, e0 := b.Size(job.Length/2, 0), b.Size(0, 0)
	Hand{Rest: 0.5}.Work(b, 40, []Reach{{0, job.Length / 4}, {3 * job.Length / 4, job.Length}}, rng)
	if m, e := um(b.Size(job.Length/2, 0)-m0), um(b.Size(0, 0)-e0); math.Abs(m-20) > 0.01 || math.Abs(e-30) > 0.01 {
		t.Errorf("middle %.2f µm, want 20; end %.2f, want 30", m, e)
	}
}
