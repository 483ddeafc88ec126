package verdict

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// quantiles returns sizes that lie as those of a normal distribution, in 0.1 nm.
func quantiles(mean, sd float64, n int) (out []analysis.Length) {
	for i := range n {
		out = append(out, analysis.Length(math.Round(mean+sd*distuv.UnitNormal.Quantile((float64(i)+0.5)/float64(n)))))
	}
	return out
}

// Parts about the high limit, or about the middle, with a standard deviation of a sixth of
// the tolerance, accepted by 1.645 u. What share of the accepted is out is drawn, seed 106,
// and what is stated is worked out for each of them. Both are held against an independent
// program: 9.5, 3.6 and 1.1 % out, where the flat prior says 2.8, 1.5 and 0.8; about the
// middle 0.02 and 2.7. Out, stated and flat, %: 9.43 9.46 2.82; 3.65 3.62 1.50;
// 1.11 1.08 0.80; 0.019 0.020 2.66.
func TestChance_Process(t *testing.T) {
	const u, seed = 10_000.0, 106 // 1 µm
	for _, c := range []struct {
		ratio, at       float64 // tolerance / 2U; of the tolerance, above the low limit
		out, flat, near float64 // %
	}{
		{1.2, 1, 9.5, 2.8, 0.3}, {2, 1, 3.6, 1.5, 0.2}, {4, 1, 1.1, 0.8, 0.1}, {1.2, 0.5, 0.02, 2.7, 0.02},
	} {
		tol := 4 * c.ratio * u
		low := 30 * analysis.Millimetre
		mean, sd := float64(low)+c.at*tol, tol/6
		z, err := NewZone(low, low+analysis.Length(tol), Confidence95, uncertainty.Stated{Standard: u, Expanded: 2 * u})
		if err != nil {
			t.Fatal(err)
		}
		lot := worstOf(quantiles(mean, math.Hypot(sd, u), 2000))
		r := rand.New(rand.NewPCG(seed, 1))
		n, out, flat, stated := 0, 0.0, 0.0, 0.0
		for range 600_000 {
			x := mean + sd*r.NormFloat64()
			y := analysis.Length(math.Round(x + u*r.NormFloat64()))
			if d, _ := z.Decide(y); d != Conforms {
				continue
			}
			n++
			if x < float64(z.Low) || x > float64(z.High) {
				out++
			}
			flat += 1 - z.Probability(y)
			got := z.lot(y, lot, analysis.Deviation(u))
			if got.Parts != 2000 && !strings.HasSuffix(got.Why.Code, ".apart") {
				t.Fatalf("%+v", got)
			}
			stated += 1 - got.Probability
		}
		share := 100 / float64(n)
		t.Logf("T/2U %.1f, mean at %.1f: of %d accepted %.3f %% out, stated %.3f, flat %.3f", c.ratio, c.at, n, out*share, stated*share, flat*share)
		if math.Abs(out*share-c.out) > c.near || math.Abs(stated*share-c.out) > c.near || math.Abs(flat*share-c.flat) > 0.1 {
			t.Errorf("T/2U %.1f: of %d accepted %.3f %% out, stated %.3f, flat %.3f", c.ratio, n, out*share, stated*share, flat*share)
		}
	}
}

// With a prior that is known the posterior is that of JCGM 106:2012, clause 7, here by
// summing up prior times likelihood.
func TestPosterior_Known(t *testing.T) {
	for _, c := range []struct{ sd, o, y float64 }{{8000, 10_000, 9000}, {30_000, 10_000, -40_000}, {5000, 2000, 0}} {
		s := worstOf(quantiles(3e8, math.Hypot(c.sd, c.o), 20_000))
		mean, u := s.posterior(c.y, c.o)
		var weight, first, second float64
		for x := -8 * c.sd; x <= 8*c.sd; x += c.sd / 500 {
			w := math.Exp(-x*x/(2*c.sd*c.sd) - (c.y-x)*(c.y-x)/(2*c.o*c.o))
			weight, first, second = weight+w, first+w*x, second+w*x*x
		}
		first /= weight
		sd := math.Sqrt(second/weight - first*first)
		if math.Abs(mean-first) > 2e-3*c.o || math.Abs(u/sd-1) > 2e-3 {
			t.Errorf("%+v: %.1f ± %.1f, want %.1f ± %.1f", c, mean, u, first, sd)
		}
	}
}

// Lots from processes of any spread and place, gauged with an uncertainty of which a part
// is their own and the rest the same for all: the chances that are stated come true, those
// above 0.9 apart, and tell more than the flat ones do (Brier score, less is better).
// Seed 7106, 6000 lots a line; -v prints them all:
//
//	parts  own   used    out  stated  flat   score  flat    above 0.9: out  stated
//	 10   0.4 u  83 %   23.8   24.1   24.1   0.104  0.106             1.8    1.9
//	 10   1.0 u  50 %   22.2   22.8   22.9   0.089  0.103             1.1    1.8
//	 25   0.8 u  71 %   24.6   23.8   23.7   0.095  0.106             1.5    1.8
//	 50   1.0 u  71 %   23.6   23.7   23.4   0.080  0.105             1.1    1.4
func TestChance_Calibrated(t *testing.T) {
	const seed = 7106
	r := rand.New(rand.NewPCG(seed, 1))
	low := 30 * analysis.Millimetre
	for _, n := range []int{LotParts, 14, 25, 50} {
		for _, share := range []float64{0.4, 0.8, 1} { // of u, own
			const u = 3000.0
			var tried, used, out, flat, stated, brierFlat, brier, likely, likelyOut, likelyStated float64
			for used < 6000 {
				tol := u * (3 + 9*r.Float64())
				sd := u * math.Exp(math.Log(0.3)+math.Log(10)*r.Float64()) // 0.3 to 3 u
				// Anywhere, since that is what is assumed of it; scored are parts that read
				// near the limits or within them.
				mean := float64(low) + tol/2 + (tol+8*u)*(r.Float64()*2-1)
				own := share * u
				common := math.Sqrt(u*u-own*own) * r.NormFloat64()
				z, err := NewZone(low, low+analysis.Length(tol), Confidence95, uncertainty.Stated{Standard: u, Expanded: 2 * u})
				if err != nil {
					t.Fatal(err)
				}
				var ys []analysis.Length
				x := 0.0
				for range n + 1 {
					x = mean + sd*r.NormFloat64()
					ys = append(ys, analysis.Length(math.Round(x+common+own*r.NormFloat64())))
				}
				if float64(ys[n]-low) < -u || float64(ys[n]-low) > tol+u {
					continue
				}
				tried++
				c := z.lot(ys[n], worstOf(ys[:n]), analysis.Deviation(own))
				if c.Prior == Flat {
					continue
				}
				p := z.Probability(ys[n])
				good := 0.0
				if x >= float64(z.Low) && x <= float64(z.High) {
					good = 1
				}
				used, out, flat, stated = used+1, out+1-good, flat+1-p, stated+1-c.Probability
				if c.Probability > 0.9 {
					likely, likelyOut, likelyStated = likely+1, likelyOut+1-good, likelyStated+1-c.Probability
				}
				brierFlat, brier = brierFlat+(p-good)*(p-good), brier+(c.Probability-good)*(c.Probability-good)
			}
			t.Logf("%d parts, own %.1f u: used in %4.1f %%: out %.2f %%, stated %.2f (flat %.2f); score %.4f (flat %.4f); above 0.9: out %.2f, stated %.2f",
				n, share, 100*used/tried, 100*out/used, 100*stated/used, 100*flat/used, brier/used, brierFlat/used, 100*likelyOut/likely, 100*likelyStated/likely)
			if scatter := 3 * math.Sqrt(likelyOut) / likely; math.Abs(likelyStated-likelyOut)/likely > scatter+0.003 {
				t.Errorf("%d parts, own %.1f u: above 0.9 %.2f %% out, stated %.2f", n, share, 100*likelyOut/likely, 100*likelyStated/likely)
			}
			if scatter := 3 * math.Sqrt(out) / used; math.Abs(stated-out)/used > scatter+0.01 {
				t.Errorf("%d parts, own %.1f u: %.2f %% out, stated %.2f", n, share, 100*out/used, 100*stated/used)
			}
			if brier > brierFlat {
				t.Errorf("%d parts, own %.1f u: score %.4f, flat %.4f", n, share, brier/used, brierFlat/used)
			}
		}
	}
}

// honed hones a part by its own readings, aiming at nine tenths of the way to the middle of
// the limits with cuts that scatter, until one is accepted or past that, and returns the true
// size and that reading.
func honed(r *rand.Rand, z *Zone, common, own, scatter float64) (x float64, y analysis.Length) {
	x = float64(z.Low) - 60_000*(1+0.3*r.NormFloat64())
	for {
		y = analysis.Length(math.Round(x + common + own*r.NormFloat64()))
		if y >= z.AcceptLow {
			return x, y
		}
		x += 0.9 * (float64(z.Low+z.High)/2 - float64(y)) * max(0.1, 1+scatter*r.NormFloat64())
	}
}

// Lots of parts that were honed by the readings that they are judged by: their sizes are
// neither normal nor without regard to the errors, and those that read low were honed on. All
// in all the chances stated of accepted parts are nearer to what is had than the flat ones;
// where cuts scatter little, fewer are stated out than are. u is 0.3 µm, seed 7107, the
// 11th to 30th part of 1500 lots; share out, % (-v prints all):
//
//	T/2U  cuts ±  own     had   stated  flat         T/2U  cuts ±  own     had   stated  flat
//	1.2    10 %   0.5 u  1.38    1.64   2.62         2.0    30 %   0.5 u  0.60    0.57   0.66
//	1.2    30 %   0.5 u  1.88    2.50   2.63         2.0    30 %   1.0 u  0.35    0.39   0.76
//	2.0    10 %   0.3 u  0.42    0.37   0.48         4.0    10 %   0.5 u  0.11    0.09   0.14
//	2.0    10 %   0.5 u  0.45    0.24   0.52         4.0    30 %   0.5 u  0.18    0.18   0.21
//	2.0    10 %   1.0 u  0.27    0.03   0.68         4.0    30 %   1.0 u  0.16    0.10   0.21
func TestChance_Honed(t *testing.T) {
	const u, seed = 3000.0, 7107
	r := rand.New(rand.NewPCG(seed, 1))
	low := 30 * analysis.Millimetre
	off, offFlat := 0.0, 0.0
	for _, ratio := range []float64{1.2, 2, 4} {
		z, err := NewZone(low, low+analysis.Length(4*ratio*u), Confidence95, uncertainty.Stated{Standard: u, Expanded: 2 * u})
		if err != nil {
			t.Fatal(err)
		}
		for _, scatter := range []float64{0.1, 0.3} {
			for _, share := range []float64{0.3, 0.5, 0.8, 1} {
				own := share * u
				used, out, flat, stated := 0.0, 0.0, 0.0, 0.0
				for range 1500 {
					common := math.Sqrt(u*u-own*own) * r.NormFloat64()
					var ys []analysis.Length
					for n := range 30 {
						x, y := honed(r, &z, common, own, scatter)
						if d, _ := z.Decide(y); n >= LotParts && d == Conforms {
							if c := z.lot(y, worstOf(ys), analysis.Deviation(own)); c.Prior != Flat {
								used, flat, stated = used+1, flat+1-z.Probability(y), stated+1-c.Probability
								if x < float64(z.Low) || x > float64(z.High) {
									out++
								}
							}
						}
						ys = append(ys, y)
					}
				}
				t.Logf("T/2U %.1f, cuts scatter %.0f %%, own %.1f u: of %.0f out %.3f %%, stated %.3f, flat %.3f", ratio, 100*scatter, share, used, 100*out/used, 100*stated/used, 100*flat/used)
				off, offFlat = off+math.Abs(stated-out)/used, offFlat+math.Abs(flat-out)/used
			}
		}
	}
	if off > 0.6*offFlat {
		t.Errorf("off by %.2f %% on the average, flat %.2f", 100*off/24, 100*offFlat/24)
	}
}

// What the prior is is always said, and where it is flat, why.
func TestChance_SaysItsPrior(t *testing.T) {
	in := input(t, "31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514")
	lot := func(n int) Lot {
		return Lot{Smallest: quantiles(317_508_000, 2500, n), Largest: quantiles(317_516_000, 2500, n), Own: 1500}
	}
	for name, c := range map[string]struct {
		lot Lot
		why string
	}{
		"none":        {Lot{}, "⟦verdict.lot.few 10 0⟧"},
		"one":         {lot(1), "⟦verdict.lot.few 10 1⟧"},
		"nine":        {lot(LotParts - 1), "⟦verdict.lot.few 10 9⟧"},
		"own unknown": {Lot{Smallest: lot(20).Smallest, Largest: lot(20).Largest}, "⟦verdict.lot.own⟧"},
		"no spread":   {Lot{Smallest: quantiles(317_508_000, 1000, 20), Largest: quantiles(317_516_000, 1000, 20), Own: 1500}, "⟦verdict.lot.scatter⟧"},
		"all alike":   {Lot{Smallest: quantiles(317_508_000, 0, 20), Largest: quantiles(317_516_000, 0, 20), Own: 1500}, "⟦verdict.lot.scatter⟧"},
		"another":     {Lot{Smallest: quantiles(317_548_000, 2500, 20), Largest: quantiles(317_556_000, 2500, 20), Own: 1500}, "⟦verdict.lot.apart⟧"},
	} {
		in.Lot = c.lot
		s := Judge(in).Sizes
		for _, l := range []*Local{s.Smallest, s.Largest} {
			if l.Chance == nil || l.Chance.Prior != Flat || l.Chance.Parts != 0 || l.Chance.Probability != l.Probability || coded(in.Job, l.Chance.Why) != c.why {
				t.Errorf("%s: %+v", name, l.Chance)
			}
		}
	}
	in.Lot = lot(14)
	b := Judge(in)
	if c := b.Sizes.Largest.Chance; c.Prior != OfLot || c.Parts != 14 || !c.Why.IsZero() || c.Probability == b.Sizes.Largest.Probability {
		t.Errorf("%+v", c)
	}
	// No decision and no zone rests on it.
	in.Lot = Lot{}
	flat := Judge(in)
	b.Sizes.Smallest.Chance, b.Sizes.Largest.Chance, flat.Sizes.Smallest.Chance, flat.Sizes.Largest.Chance = nil, nil, nil, nil
	if !reflect.DeepEqual(b, flat) {
		t.Errorf("a lot changes the verdict:\n%+v\n%+v", b, flat)
	}
}

func BenchmarkChance(b *testing.B) {
	z, err := NewZone(0, 25_400, Confidence95, stated(3163, 6327))
	if err != nil {
		b.Fatal(err)
	}
	sizes := quantiles(12_000, 3000, 50)
	b.ReportAllocs()
	for b.Loop() {
		z.lot(13_000, worstOf(sizes), 1500)
	}
}
