package simulator

import (
	"math"
	"testing"

	"fairbore/analysis"
)

// Short strokes bring the place up, the rest by its share; the strokes done
// scatter about those meant as the hand does.
func TestHand(t *testing.T) {
	job, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	rng := seeded(7)
	front, middle, back := analysis.Place{}, analysis.Place{Depth: job.Length / 2}, analysis.Place{Depth: job.Length}
	var atFront, atBack, sum, squares float64
	const n = 2000
	for range n {
		b := job.StoryPart()
		b.FreshRate, b.GlazedRate, b.Oval, b.Warming = 1, 1, 0, 0
		f0, b0 := b.Size(front), b.Size(back)
		done := Hand{Scatter: 0.15, Rest: 0.4}.Work(b, 40, []analysis.Stretch{{To: job.Length / 3}}, rng)
		atFront += (b.Size(front) - f0).Micrometres() / n
		atBack += (b.Size(back) - b0).Micrometres() / n
		sum, squares = sum+float64(done)/n, squares+float64(done*done)/n
	}
	if math.Abs(atFront-40) > 0.6 || math.Abs(atBack-16) > 0.3 {
		t.Errorf("front %.2f µm, want 40; back %.2f, want 16", atFront, atBack)
	}
	if cv := math.Sqrt(squares-sum*sum) / sum; math.Abs(cv-0.15) > 0.01 {
		t.Errorf("strokes scatter by %.3f, want 0.15", cv)
	}
	b := job.StoryPart()
	before := b.Size(middle)
	if (Hand{Rest: 0.5}).Work(b, 0, nil, rng) != 0 || b.Size(middle) != before {
		t.Error("no strokes took something off")
	}
	// by turns at both ends the middle gets the rest's share of all of them
	b = job.StoryPart()
	b.FreshRate, b.GlazedRate, b.Oval, b.Warming, b.Scatter = 1, 1, 0, 0, 0
	m0, e0 := b.Size(middle), b.Size(front)
	Hand{Rest: 0.5}.Work(b, 40, []analysis.Stretch{{To: job.Length / 4}, {From: 3 * job.Length / 4, To: job.Length}}, rng)
	if m, e := (b.Size(middle) - m0).Micrometres(), (b.Size(front) - e0).Micrometres(); math.Abs(m-20) > 0.01 || math.Abs(e-30) > 0.01 {
		t.Errorf("middle %.2f µm, want 20; end %.2f, want 30", m, e)
	}
}
