package advise_test

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"fairbore/analysis"
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

// partsScored of each job, in lots of lotSize, of which each begins with no rate.
const (
	partsScored = 2000
	lotSize     = 10
)

// rate is what is known of it before a part: nothing, that of the lot's parts so
// far, or the job's own.
type rate int

const (
	ofNone rate = iota
	ofLot
	ofJob
)

// ways to hone a part in the benchmark.
var ways = []struct {
	name  string
	parts int
	prior rate // that the shop knows
	next  func(*shop) advise.Advice
}{
	{"advice", partsScored, ofLot, func(s *shop) advise.Advice { return advise.Next(s.adv) }},
	{"first part", partsScored / 4, ofNone, func(s *shop) advise.Advice { return advise.Next(s.adv) }},
	{"rate known", partsScored, ofJob, (*shop).informed},
	{"greedy", partsScored / 4, ofJob, (*shop).greedy},
}

// BenchmarkAdviceInTheShop hones simulated parts of the scenario's jobs by the
// advice, with and without the shop's rate from earlier parts, by the same
// rules with the true rate, and greedily with all known, and prints how they
// ended. Run with -benchtime=1x. The seed is fresh, or FAIRBORE_SEED, and printed.
func BenchmarkAdviceInTheShop(b *testing.B) {
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("FAIRBORE_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			b.Fatal(err)
		}
	}
	for range b.N {
		fmt.Printf("\nseed %d, %d parts a job, a quarter of it first parts and greedily\n%-8s %-8s %-11s %7s %7s %7s %7s %7s | %6s %6s %6s %6s %7s\n", seed, partsScored, "job", "guard", "by",
			"good %", "over %", "under %", "aside %", "form %", "rounds", "mean", "90 %", "gauged", "endless")
		for _, job := range shopJobs(b) {
			own := scoreWays(job, verdict.Expanded, "U", seed)
			scoreWays(job, verdict.Confidence95, "1.645 u", seed)
			b.ReportMetric(own[0].per(own[0].over), job.ID+"-%over")
			b.ReportMetric(own[0].per(own[0].aside), job.ID+"-%aside")
			b.ReportMetric(quantile(own[0].rounds, 0.5)/quantile(own[2].rounds, 0.5), job.ID+"-x-known")
		}
	}
}

func scoreWays(job shopJob, rule verdict.Rule, guard string, seed uint64) (all []*score) {
	for _, way := range ways {
		if rule == verdict.Confidence95 && way.name != "advice" {
			continue
		}
		r, lot := &score{}, (*analysis.RatePrior)(nil)
		for i := range uint64(way.parts) {
			s := newShop(job, rule, pcg(seed, i))
			if way.prior != ofJob {
				s.adv.Prior = nil
			}
			if i%lotSize == 0 {
				lot = nil
			} else if way.prior == ofLot {
				s.adv.Prior = lot
			}
			r.add(s.work(func() advise.Advice { return way.next(s) }))
			lot = advise.Learn(lot, job.Job, s.adv.Rounds, dev(job.repeat))
		}
		fmt.Printf("%-8s %-8s %-11s %7.2f %7.2f %7.2f %7.2f %7.2f | %6.0f %6.2f %6.0f %6.2f %7.0f\n", job.ID, guard, way.name,
			r.per(r.good), r.per(r.over), r.per(r.under), r.per(r.aside), r.per(r.form),
			quantile(r.rounds, 0.5), mean(r.rounds), quantile(r.rounds, 0.9), mean(r.gauged), r.endles)
		all = append(all, r)
	}
	return all
}
