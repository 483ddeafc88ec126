package simulator

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// StoryRound is a round of honing in the story of a part, with the sizes gauged after it.
type StoryRound struct {
	Strokes int               // number of strokes since the round before
	Warm    float64           // warmth of the part above the ring when it was gauged, K
	Sizes   []analysis.Length // the sizes as gauged on the warm part, in the order of Job.Plan
}

// Job is a bore to be honed, with the story of one part. It is invented demonstration data, of no
// real part, shop or person.
type Job struct {
	analysis.Job
	Master    analysis.Ring // the ring that Job.Ring names
	Gauge     GaugeModel
	Rounds    []StoryRound // the first round is the start, with 0 strokes
	Minute    int          // number of strokes per minute
	Expansion float64      // growth of the diameter per kelvin, µm
	part      Part         // the properties that the table can't tell: rates, warming and cooling, blind length
}

// StoryPart returns the part of the story as it was at the start. Its mean, profile and ovality are
// those of the first gauging, and its rates are those of the story.
func (j *Job) StoryPart() *Part {
	p := j.part
	first := j.Rounds[0].Sizes
	n := len(j.Orientations)
	var sum float64
	for _, v := range first {
		sum += float64(v)
	}
	p.Start = analysis.Length(math.Round(sum / float64(len(first))))
	var re, im float64
	for i, v := range first {
		s, c := math.Sincos(2 * j.Orientations[i%n].Degrees() * degree)
		re, im = re+(v-p.Start).Micrometres()*c, im+(v-p.Start).Micrometres()*s
	}
	// Least squares of Oval·cos 2(a-LongAxis). At 0/60/120 degrees the mean of cos² is 1/2. At 0/90
	// degrees, where sin 2a is 0 everywhere, the mean is 1.
	part := 0.5
	if n == 2 {
		part = 1
	}
	p.Oval, p.LongAxis = math.Hypot(re, im)/(part*float64(len(first))), math.Atan2(im, re)/2
	for i, d := range j.Sections {
		mean := 0.0
		for _, v := range first[i*n : (i+1)*n] {
			mean += (v - p.Start).Micrometres() / float64(n)
		}
		p.Profile = append(p.Profile, Offset{d, mean})
	}
	p.Length, p.Rounding, p.Expansion, p.Scatter = j.Length, 15, j.Expansion, 0.1
	return &p
}

// FindJob returns the job with an id.
func FindJob(id string) (*Job, error) {
	jobs := Jobs()
	var ids []string
	for i := range jobs {
		if jobs[i].ID == id {
			return &jobs[i], nil
		}
		ids = append(ids, jobs[i].ID)
	}
	return nil, fmt.Errorf("job %q: not one of %s", id, strings.Join(ids, ", "))
}

// Gauges lists the gauges of the shop.
func Gauges() []GaugeModel {
	return []GaugeModel{
		{ID: "G-11", Contact: TwoPoint, Tip: 2 * analysis.Millimetre, Free: 600 * analysis.Micrometre, Rate: 20, Noise: 0.15, Step: analysis.Micrometre / 10, Unit: analysis.MM, Places: 4},
		{ID: "G-07", Contact: TwoPoint, Tip: 3 * analysis.Millimetre / 2, Free: 500 * analysis.Micrometre, Rate: 10, Noise: 0.20, Step: 5 * analysis.MicroInch, Unit: analysis.IN, Places: 6},
		{ID: "G-12", Contact: TwoPoint, Tip: 3 * analysis.Millimetre, Free: 800 * analysis.Micrometre, Rate: 20, Noise: 0.20, Step: analysis.Micrometre / 10, Unit: analysis.MM, Places: 4},
		{ID: "G-21", Contact: ThreePoint, Tip: 2 * analysis.Millimetre, Free: 700 * analysis.Micrometre, Rate: 10, Noise: 0.30, Step: analysis.Micrometre / 10, Unit: analysis.MM, Places: 4, Settle: 0.25},
		{ID: "G-30", Contact: Air, Free: 400 * analysis.Micrometre, Rate: 10, Noise: 0.10, Step: analysis.Micrometre / 10, Unit: analysis.MM, Places: 4, Settle: 0.5},
	}
}

func gauge(id string) GaugeModel {
	for _, g := range Gauges() {
		if g.ID == id {
			return g
		}
	}
	return GaugeModel{}
}

// Jobs lists the four jobs.
func Jobs() []Job {
	return []Job{
		drawn(Job{
			Job: analysis.Job{
				ID: "J-4107", Title: "pivot bracket bush", Material: "leaded bronze", Unit: analysis.IN, Nominal: 222_300_800,
				Limits: analysis.Limits{Low: 222_275_400, High: 222_326_200}, Length: 381_000_000, Ring: "R-0875",
				Sections: times(analysis.Millimetre, 4, 13, 25, 34), Orientations: times(analysis.Degree, 0, 90),
			},
			Master: analysis.Ring{Size: 222_251_200}, Gauge: gauge("G-11"), Minute: 50, Expansion: 0.40, Rounds: rounds(bushTable, 0, 2, 3, 3, 1, 0),
			part: Part{FreshRate: 2.05, GlazedRate: 0.8, GlazeStrokes: 35, Warming: 0.2, WarmMost: 3, Cooling: 418 * time.Second},
		}),
		drawn(Job{
			Job: analysis.Job{
				ID: "J-4112", Title: "spindle sleeve", Material: "hardened steel", Unit: analysis.IN, Nominal: 317_500_000,
				Limits: analysis.Limits{Low: 317_500_000, High: 317_525_400}, Length: 635_000_000, Ring: "R-1250",
				Sections: times(analysis.Millimetre, 5, 32, 58), Orientations: times(analysis.Degree, 0, 90),
			},
			Master: analysis.Ring{Size: 317_497_000}, Gauge: gauge("G-11"), Minute: 45, Expansion: 0.365, Rounds: rounds(sleeveTable, 0, 1, 1, 1, 0.5, 0, 0, 0),
			part: Part{FreshRate: 0.40, GlazedRate: 0.20, GlazeStrokes: 60, Warming: 0.05, WarmMost: 1, Cooling: 1922 * time.Second},
		}),
		drawn(Job{
			Job: analysis.Job{
				ID: "J-4120", Title: "relief valve body", Material: "grey iron", Unit: analysis.MM, Nominal: 158_800_000,
				Limits: analysis.Limits{Low: 158_780_000, High: 158_840_000}, Length: 520_000_000, Ring: "R-0625",
				Sections: times(analysis.Millimetre, 5, 16, 28, 40, 49), Orientations: times(analysis.Degree, 0, 90),
			},
			Master: analysis.Ring{Size: 158_750_800}, Gauge: gauge("G-07"), Minute: 60, Expansion: 0.167, Rounds: rounds(valveTable, 0, 1, 1, 0.5, 0, 0),
			part: Part{FreshRate: 1.02, GlazedRate: 0.5, GlazeStrokes: 30, Blind: 12 * analysis.Millimetre, Warming: 0.1, WarmMost: 1, Cooling: 900 * time.Second},
		}),
		drawn(Job{
			Job: analysis.Job{
				ID: "J-4131", Title: "dash tube", Material: "aluminium alloy", Unit: analysis.MM, Nominal: 444_500_000,
				Limits: analysis.Limits{Low: 444_500_000, High: 444_700_000}, Length: 2_540_000_000, Ring: "R-1750",
				Sections: times(analysis.Millimetre, 10, 65, 127, 190, 244), Orientations: times(analysis.Degree, 0, 60, 120),
			},
			Master: analysis.Ring{Size: 444_499_000}, Gauge: gauge("G-12"), Minute: 40, Expansion: 1.02, Rounds: rounds(tubeTable, 0, 8, 6, 3, 0),
			part: Part{FreshRate: 1.7, GlazedRate: 0.9, GlazeStrokes: 18, Warming: 0.6, WarmMost: 9, Cooling: 182 * time.Second},
		}),
	}
}

// drawn completes a job with the values that all jobs have in common.
func drawn(j Job) Job {
	j.Face, j.Band, j.Target = "front", analysis.Deviation(200*analysis.Micrometre), (j.Low+j.High)/2
	j.Master.ID, j.Master.U = j.Ring, analysis.Deviation(analysis.Micrometre/4)
	return j
}

// times multiplies numbers by a unit.
func times[T analysis.Length | analysis.Angle](unit T, n ...T) []T {
	for i := range n {
		n[i] *= unit
	}
	return n
}

// rounds reads a table. Each line is a round: the strokes, and then the sizes as gauged, in mm to
// four places. warm gives the warmth of each round.
func rounds(table string, warm ...float64) []StoryRound {
	var out []StoryRound
	for i, line := range strings.Split(strings.TrimSpace(table), "\n") {
		cells := strings.Fields(line)
		r := StoryRound{Warm: warm[i]}
		r.Strokes, _ = strconv.Atoi(cells[0])
		for _, c := range cells[1:] {
			v, _ := strconv.ParseInt(strings.Replace(c, ".", "", 1), 10, 64)
			r.Sizes = append(r.Sizes, analysis.Length(v)*analysis.Micrometre/10)
		}
		out = append(out, r)
	}
	return out
}

// The tables are invented demonstration data. The first column is the strokes since the round
// before. The other columns are the sizes, depth by depth from the front; at each depth they are in
// the order of the angles.
const (
	// 4 13 25 34 mm, each at 0 and 90 degrees
	bushTable = `
0 22.1627 22.1567 22.1656 22.1595 22.1675 22.1616 22.1705 22.1645
12 22.1849 22.1838 22.1868 22.1855 22.1888 22.1876 22.1905 22.1895
12 22.2065 22.2065 22.2072 22.2068 22.2093 22.2089 22.2099 22.2095
10 22.2232 22.2232 22.2221 22.2220 22.2239 22.2240 22.2229 22.2229
4 22.2281 22.2281 22.2266 22.2266 22.2287 22.2285 22.2274 22.2274
2 22.2299 22.2296 22.2283 22.2282 22.2302 22.2300 22.2292 22.2290
`
	// 5 32 58 mm, each at 0 and 90 degrees
	sleeveTable = `
0 31.7264 31.7261 31.7250 31.7250 31.7243 31.7241
20 31.7341 31.7341 31.7329 31.7329 31.7321 31.7321
20 31.7410 31.7411 31.7398 31.7395 31.7396 31.7394
15 31.7457 31.7458 31.7446 31.7446 31.7444 31.7445
10 31.7483 31.7486 31.7472 31.7473 31.7472 31.7472
7 31.7497 31.7498 31.7488 31.7492 31.7493 31.7493
5 31.7508 31.7505 31.7506 31.7504 31.7509 31.7507
3 31.7510 31.7514 31.7514 31.7513 31.7516 31.7514
`
	// 5 16 28 40 49 mm, each at 0 and 90 degrees
	valveTable = `
0 15.8508 15.8489 15.8497 15.8479 15.8488 15.8468 15.8470 15.8448 15.8438 15.8419
10 15.8611 15.8600 15.8595 15.8584 15.8584 15.8574 15.8563 15.8553 15.8519 15.8511
10 15.8707 15.8702 15.8687 15.8681 15.8677 15.8672 15.8658 15.8651 15.8598 15.8592
8 15.8749 15.8745 15.8738 15.8738 15.8737 15.8737 15.8739 15.8735 15.8719 15.8716
5 15.8787 15.8784 15.8776 15.8773 15.8775 15.8773 15.8774 15.8774 15.8764 15.8763
4 15.8811 15.8808 15.8804 15.8797 15.8801 15.8799 15.8802 15.8797 15.8801 15.8797
`
	// 10 65 127 190 244 mm, each at 0, 60 and 120 degrees
	tubeTable = `
0 44.4160 44.4133 44.4082 44.4110 44.4084 44.4033 44.4071 44.4042 44.3993 44.4109 44.4082 44.4033 44.4160 44.4133 44.4083
15 44.4455 44.4449 44.4438 44.4403 44.4398 44.4389 44.4352 44.4346 44.4335 44.4403 44.4398 44.4388 44.4452 44.4448 44.4439
12 44.4537 44.4536 44.4535 44.4541 44.4540 44.4537 44.4530 44.4527 44.4526 44.4541 44.4540 44.4538 44.4537 44.4535 44.4533
9 44.4586 44.4584 44.4583 44.4611 44.4609 44.4607 44.4608 44.4605 44.4604 44.4610 44.4609 44.4607 44.4585 44.4584 44.4582
4 44.4593 44.4595 44.4592 44.4620 44.4618 44.4617 44.4616 44.4615 44.4614 44.4617 44.4618 44.4618 44.4595 44.4595 44.4594
`
)
