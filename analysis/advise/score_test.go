package advise_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis/advise"
	"fairbore/analysis/verdict"
)

// score sums the outcomes of many parts up.
type score struct {
	n                                      int
	good, over, under, aside, form, endles float64
	rounds, gauged                         []float64
}

func (s *score) add(o outcome) {
	count := func(v *float64, is bool) {
		if is {
			*v++
		}
	}
	s.n++
	count(&s.good, o.good)
	count(&s.over, o.over)
	count(&s.under, o.under && !o.aside)
	count(&s.aside, o.aside && !o.over)
	count(&s.form, o.form && o.good)
	count(&s.endles, o.wrong)
	s.rounds, s.gauged = append(s.rounds, float64(o.rounds)), append(s.gauged, float64(o.gauged))
}

func (s *score) per(v float64) float64 { return 100 * v / float64(s.n) }

func quantile(v []float64, q float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[int(q*float64(len(v)-1))]
}

func mean(v []float64) (m float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	return m
}

// partsScored of each job.
const partsScored = 500

// BenchmarkAdviceInTheShop hones simulated parts of the scenario's jobs by the
// advice, and by an oracle that knows the true rate, and prints how they ended.
// Run with -benchtime=1x. The seed is fresh, and printed.
func BenchmarkAdviceInTheShop(b *testing.B) {
	seed := uint64(time.Now().UnixNano())
	for range b.N {
		var t strings.Builder
		fmt.Fprintf(&t, "\nseed %d, %d parts a job\n", seed, partsScored)
		fmt.Fprintf(&t, "%-8s %-9s %-7s %7s %7s %7s %7s %7s | %6s %6s %6s | %6s\n", "job", "guard", "by",
			"good %", "over %", "under %", "aside %", "form %", "rounds", "mean", "90 %", "gaug'd")
		for _, job := range shopJobs(b) {
			for _, rule := range []verdict.Rule{verdict.Expanded, verdict.Confidence95} {
				own, oracle := scoreJob(job, rule, seed)
				ratio := quantile(own.rounds, 0.5) / quantile(oracle.rounds, 0.5)
				for _, r := range []struct {
					name string
					*score
				}{{"advice", own}, {"oracle", oracle}} {
					guard := "U"
					if rule == verdict.Confidence95 {
						guard = "1.645 u"
					}
					fmt.Fprintf(&t, "%-8s %-9s %-7s %7.2f %7.2f %7.2f %7.2f %7.2f | %6.0f %6.2f %6.0f | %6.2f\n", job.ID, guard, r.name,
						r.per(r.good), r.per(r.over), r.per(r.under), r.per(r.aside), r.per(r.form),
						quantile(r.rounds, 0.5), mean(r.rounds), quantile(r.rounds, 0.9), mean(r.gauged))
				}
				fmt.Fprintf(&t, "%-8s %-9s rounds %.2f x the oracle's, endless %g\n", "", "", ratio, own.endles)
				if rule == verdict.Expanded {
					b.ReportMetric(own.per(own.over), job.ID+"-%over")
					b.ReportMetric(own.per(own.aside), job.ID+"-%aside")
					b.ReportMetric(ratio, job.ID+"-x-oracle")
				}
			}
		}
		fmt.Print(t.String()) // b.Log would cut it short
	}
}

func scoreJob(job shopJob, rule verdict.Rule, seed uint64) (own, oracle *score) {
	own, oracle = &score{}, &score{}
	for i := range uint64(partsScored) {
		s := newShop(job, rule, rand.New(rand.NewPCG(seed, i)))
		own.add(s.work(func() advise.Advice { return advise.Next(s.adv) }))
		o := newShop(job, rule, rand.New(rand.NewPCG(seed, i)))
		oracle.add(o.work(o.oracle))
	}
	return own, oracle
}
