package advise_test

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
)

// known is the prior of one who knows rate and scatter.
func known(rate, scatter float64) *analysis.RatePrior {
	return &analysis.RatePrior{Log: math.Log(rate), Spread: 0.05, Parts: 1, Scatter: scatter, ScatterSpread: 0.05, Strays: 0.02}
}

// shopsScored of each world, and parts that each hones: it learns from those
// before. The oracle hones as many, but for the lesson.
const (
	shopsScored = 100
	partsEach   = 26
	lesson      = 20
	// firstsScored shops hone their first part only.
	firstsScored = 1000
)

// tally is what came of many parts: the first of a shop, those to the lesson's end,
// the later ones, and these honed by the oracle with a risk of 1 % and of 0.15 % a round.
type tally struct {
	first, lot, learned, oracle, careful score
	calls                                []call
}

// judge hones the parts of the world's shops.
func (w world) judge(seed uint64, shops, parts int) (t tally) {
	for i := range uint64(shops) {
		p := newProcess(w, pcg(seed, 2*i))
		var prior *analysis.RatePrior
		for k := range uint64(parts) {
			part := pcg(seed, 2*i+1+(k+1)<<32)
			c := p.newPiece(part)
			c.adv.Prior = prior
			o := c.work(func() advise.Advice { return advise.Next(c.adv) })
			t.calls = append(t.calls, c.calls...)
			prior = advise.Learn(prior, p.job.Job, c.adv.Rounds, dev(p.job.repeat))
			switch {
			case k == 0:
				t.first.add(o)
			case k < lesson:
				t.lot.add(o)
			default:
				t.learned.add(o)
				c := p.newPiece(pcg(seed, 2*i+1+(k+1)<<32))
				t.oracle.add(c.work(func() advise.Advice { return c.oracle(0.01) }))
				if k%2 == 0 {
					c = p.newPiece(pcg(seed, 2*i+1+(k+1)<<32))
					t.careful.add(c.work(func() advise.Advice { return c.oracle(0.0015) }))
				}
			}
		}
	}
	return t
}

// calibration is the risk that was stated of the rounds, and that was had, %.
func calibration(calls []call, from, to float64) (stated, had float64, n int) {
	for _, c := range calls {
		if c.risk < from || c.risk >= to {
			continue
		}
		n++
		stated += c.risk
		if c.over {
			had++
		}
	}
	return 100 * stated / float64(max(n, 1)), 100 * had / float64(max(n, 1)), n
}

// BenchmarkAdviceElsewhere hones parts in shops that the advice was not made in.
// Run with -benchtime=1x; the seed is fresh, or FAIRBORE_SEED, and printed.
func BenchmarkAdviceElsewhere(b *testing.B) {
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("FAIRBORE_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			b.Fatal(err)
		}
	}
	for range b.N {
		fmt.Printf("\nseed %d, %d shops of %d parts, %d of one\n%-24s %-8s %6s %6s %6s %6s %7s %6s %5s %6s\n", seed, shopsScored, partsEach, firstsScored,
			"world", "part", "parts", "good %", "over %", "under %", "aside %", "rounds", "90 %", "end")
		for _, w := range worlds {
			t, first := w.judge(seed, shopsScored, partsEach), w.judge(seed+1<<40, firstsScored, 1)
			for _, r := range []struct {
				name string
				*score
			}{{"first", &first.first}, {"2 to 20", &t.lot}, {"learned", &t.learned}, {"oracle", &t.oracle}, {"careful", &t.careful}} {
				fmt.Printf("%-24s %-8s %6d %6.2f %6.2f %6.2f %7.2f %6.2f %5.0f %6.0f\n", w.name, r.name, r.n, r.per(r.good), r.per(r.over), r.per(r.under),
					r.per(r.aside), mean(r.rounds), quantile(r.rounds, 0.9), r.endles)
			}
			for _, g := range [][2]float64{{0, 3e-4}, {3e-4, 1e-3}, {1e-3, 0.01}} {
				stated, had, n := calibration(t.calls, g[0], g[1])
				fmt.Printf("%-24s of %5d rounds %.3f %% stated, %.3f %% had\n", w.name, n, stated, had)
			}
		}
	}
}
