// Package shoptest has the demo's shop for the tests of the pages: four invented jobs, and a
// station in each state that a page must show.
package shoptest

import (
	"maps"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Length reads a length with its unit.
func Length(s string) analysis.Length {
	l, err := analysis.ParseLength(s)
	if err != nil {
		panic(err)
	}
	return l
}

func lengths(s string) (out []analysis.Length) {
	for _, f := range strings.Fields(s) {
		out = append(out, Length(f+" mm"))
	}
	return out
}

// Bush returns the job of the demo's bronze bush.
func Bush() *analysis.Job {
	return &analysis.Job{
		ID: "J-4107", Title: "pivot bracket bush", Unit: analysis.IN, Material: "bronze", Face: "front",
		Nominal: Length("0.8752 in"), Limits: analysis.Limits{Low: Length("22.22754 mm"), High: Length("22.23262 mm"), Target: Length("22.23008 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: Length("38.1 mm"), Sections: lengths("4 13 25 34"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Interrupts: []analysis.Interrupt{{From: Length("17 mm"), To: Length("21 mm"), What: "oil hole"}}, Ring: "R-0875",
	}
}

// BushRounds are the sizes gauged round by round, in mm, in the order of the plan.
const BushRounds = `22.1627 22.1567 22.1656 22.1595 22.1675 22.1616 22.1705 22.1645
22.1849 22.1838 22.1868 22.1855 22.1888 22.1876 22.1905 22.1895
22.2065 22.2065 22.2072 22.2068 22.2093 22.2089 22.2099 22.2095
22.2232 22.2232 22.2221 22.2220 22.2239 22.2240 22.2229 22.2229
22.2281 22.2281 22.2266 22.2266 22.2287 22.2285 22.2274 22.2274
22.2299 22.2296 22.2283 22.2282 22.2302 22.2300 22.2292 22.2290`

// Sleeve returns the job of the demo's tool-steel sleeve, which is in millionths of an inch.
func Sleeve() *analysis.Job {
	return &analysis.Job{
		ID: "J-4112", Title: "spindle sleeve", Unit: analysis.IN, Material: "tool steel", Face: "front",
		Nominal: Length("31.75 mm"), Limits: analysis.Limits{Low: Length("31.75 mm"), High: Length("31.75254 mm"), Target: Length("31.75127 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: Length("63.5 mm"), Sections: lengths("5 32 58"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-1250",
	}
}

// SleeveRounds are its sizes, like [BushRounds].
const SleeveRounds = `31.7258 31.7256 31.7252 31.7250 31.7240 31.7238
31.7334 31.7333 31.7328 31.7327 31.7317 31.7316
31.7402 31.7402 31.7397 31.7396 31.7386 31.7386
31.7448 31.7448 31.7444 31.7444 31.7434 31.7434
31.7481 31.7480 31.7475 31.7474 31.7468 31.7467
31.7513 31.7512 31.7512 31.7511 31.7514 31.7513`

// Valve returns the job of the demo's blind bore, in mm.
func Valve() *analysis.Job {
	groove := func(from, to string) analysis.Interrupt {
		return analysis.Interrupt{From: Length(from), To: Length(to), What: "groove"}
	}
	return &analysis.Job{
		ID: "J-4120", Title: "relief valve body", Unit: analysis.MM, Material: "grey iron", Face: "front", Blind: true,
		Nominal: Length("15.88 mm"), Limits: analysis.Limits{Low: Length("15.8780 mm"), High: Length("15.8840 mm"), Target: Length("15.8810 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: Length("52 mm"), Sections: lengths("5 16 28 40 49"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-0625",
		Interrupts: []analysis.Interrupt{groove("9 mm", "12 mm"), groove("21 mm", "24 mm"), groove("33 mm", "36 mm")},
	}
}

// ValveRounds are its sizes, like [BushRounds].
const ValveRounds = `15.8508 15.8489 15.8497 15.8479 15.8488 15.8468 15.8470 15.8448 15.8438 15.8419
15.8611 15.8600 15.8595 15.8584 15.8584 15.8574 15.8563 15.8553 15.8519 15.8511
15.8707 15.8702 15.8687 15.8681 15.8677 15.8672 15.8658 15.8651 15.8598 15.8592
15.8749 15.8745 15.8738 15.8738 15.8737 15.8737 15.8739 15.8735 15.8719 15.8716
15.8787 15.8784 15.8776 15.8773 15.8775 15.8773 15.8774 15.8774 15.8764 15.8763`

// Tube returns the job of the demo's long aluminium tube.
func Tube() *analysis.Job {
	return &analysis.Job{
		ID: "J-4131", Title: "dash tube", Unit: analysis.IN, Material: "aluminium", Face: "front",
		Nominal: Length("44.45 mm"), Limits: analysis.Limits{Low: Length("44.45 mm"), High: Length("44.47 mm"), Target: Length("44.46 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: Length("254 mm"), Sections: lengths("10 65 127 190 244"),
		Orientations: []analysis.Angle{0, 60 * analysis.Degree, 120 * analysis.Degree}, Ring: "R-1750",
	}
}

const tubeRounds = `44.4160 44.4133 44.4082 44.4110 44.4084 44.4033 44.4071 44.4042 44.3993 44.4109 44.4082 44.4033 44.4160 44.4133 44.4083
44.4455 44.4449 44.4438 44.4403 44.4398 44.4389 44.4352 44.4346 44.4335 44.4403 44.4398 44.4388 44.4452 44.4448 44.4439
44.4537 44.4536 44.4535 44.4541 44.4540 44.4537 44.4530 44.4527 44.4526 44.4541 44.4540 44.4538 44.4537 44.4535 44.4533`

// Play is the history of a station up to a moment.
type Play struct {
	Fold state.Fold
	Set  state.Settings
	At   time.Time
	No   int
	Told []event.Record
}

// Began returns a station with a job, a gauge and a part, not mastered yet.
func Began(station string, job *analysis.Job) *Play {
	um := analysis.Deviation(analysis.Micrometre)
	ring := &analysis.Ring{ID: job.Ring, Size: job.Target, U: um / 4, Material: "steel"}
	p := &Play{At: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC), Set: state.Settings{
		Station: station, Settings: event.Settings{
			Gauge:  state.GaugeSettings{Name: "G-11", Repeatability: um * 15 / 100, Step: um / 10},
			Master: state.MasterSettings{Readings: 3, Spread: um / 2, Lapse: event.Lapse(master.UsualLapse())},
			Doubt:  state.Doubt{Drift: um * 3 / 10, Contact: um / 20, PartWithin: analysis.Celsius / 2}, Rule: string(verdict.Expanded),
		},
		Jobs: map[string]*analysis.Job{job.ID: job}, Rings: map[string]*analysis.Ring{ring.ID: ring},
	}}
	p.Fold.Station = station
	p.Set.Master.Lapse.Age = 24 * time.Hour
	p.Tell(event.Event{Kind: event.JobChosen, Job: job})
	p.Tell(event.Event{Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-11"}})
	p.Tell(event.Event{Kind: event.PartBegun, Part: &event.Part{Serial: "0007", Count: 7}})
	return p
}

// Tell adds an event, two seconds after the one before.
func (p *Play) Tell(e event.Event) *Play {
	p.At = p.At.Add(2 * time.Second)
	e.At, e.Station = p.At, p.Set.Station
	p.Fold.Apply(&e)
	p.Told = append(p.Told, event.Record{Journal: "6f1c", Seq: uint64(len(p.Told) + 1), Event: e})
	return p
}

// Master masters the gauge on the job's ring.
func (p *Play) Master() *Play {
	ring := p.Set.Rings[p.Fold.Job.Ring]
	return p.Tell(event.Event{Kind: event.Mastered, Master: &event.Master{Number: 1, Ring: *ring, Gauge: p.Set.Gauge.Name, Of: 3}})
}

// Take takes a reading.
func (p *Play) Take(place analysis.Place, size analysis.Length) *Play {
	p.No++
	r := &event.Reading{No: p.No, Mastered: 1, Gauge: "G-11", Deviation: analysis.Deviation(size - p.Fold.Job.Target)}
	r.Place, r.Round, r.Size, r.At = place, p.Fold.Round(), size, p.At.Add(2*time.Second)
	return p.Tell(event.Event{Kind: event.Taken, Reading: r})
}

// Unexpected takes a reading that the program asks about.
func (p *Play) Unexpected(place analysis.Place, size analysis.Length) *Play {
	p.No++
	r := &event.Reading{
		No: p.No, Mastered: 1, Gauge: "G-11", Deviation: analysis.Deviation(size - p.Fold.Job.Target), Unexpected: true,
		Expected: size - 12*analysis.Micrometre, ExpectedU: 12_000, Ask: analysis.Say("ask.larger", analysis.Deviation(12*analysis.Micrometre), place),
	}
	r.Place, r.Round, r.Size, r.At = place, p.Fold.Round(), size, p.At.Add(2*time.Second)
	return p.Tell(event.Event{Kind: event.Taken, Reading: r})
}

// Rounds plays rounds of gauging with honing between them. If some is above 0 the last round has
// only so many readings.
func (p *Play) Rounds(table string, n, some int) *Play {
	strokes := []int{12, 12, 10, 6, 4, 2, 2}
	for i, line := range strings.Split(table, "\n")[:n] {
		if i > 0 {
			p.hone(strokes[i-1])
		}
		sizes := lengths(line)
		if i == n-1 && some > 0 {
			sizes = sizes[:some]
		}
		for k, size := range sizes {
			p.Take(p.Fold.Job.Plan()[k], size)
		}
	}
	return p
}

func (p *Play) hone(strokes int) *Play {
	return p.Tell(event.Event{Kind: event.RoundOver, Round: &event.Round{Number: p.Fold.Round() + 1, Strokes: strokes}})
}

// Bore returns the present state of the bore.
func (p *Play) Bore() *state.Bore {
	b := p.Fold.Bore(&p.Set, p.At)
	b.Journal, b.Seq = "6f1c", uint64(p.No)
	return b
}

// States returns a station in each state that a page must show.
func States() map[string]*state.Bore {
	all := map[string]*state.Bore{
		"rough":    Began("rough", Bush()).Master().Rounds(BushRounds, 2, 0).Bore(),
		"partial":  Began("partial", Bush()).Master().Rounds(BushRounds, 4, 5).Bore(),
		"closing":  Began("closing", Bush()).Master().Rounds(BushRounds, 4, 0).Bore(),
		"close":    Began("close", Bush()).Master().Rounds(BushRounds, 5, 0).Bore(),
		"insize":   Began("insize", Sleeve()).Master().Rounds(SleeveRounds, 6, 0).Bore(),
		"sleeve":   Began("sleeve", Sleeve()).Master().Rounds(SleeveRounds, 5, 0).Bore(),
		"blind":    Began("blind", Valve()).Master().Rounds(ValveRounds, 3, 0).Bore(),
		"tube":     Began("tube", Tube()).Master().Rounds(tubeRounds, 3, 7).Bore(),
		"waist":    Began("waist", Tube()).Master().Rounds(tubeRounds, 2, 0).Bore(),
		"unset":    Began("unset", Bush()).Bore(),
		"ready":    Began("ready", Valve()).Master().Bore(),
		"honed":    Began("honed", Bush()).Master().Rounds(BushRounds, 3, 0).hone(8).Bore(),
		"over":     Began("over", Sleeve()).Master().Rounds(strings.Replace(SleeveRounds, "31.7513 31.7512", "31.7536 31.7535", 1), 6, 0).Bore(),
		"accepted": nil, "lost": nil, "unrecorded": nil, "ring": nil, "marks": nil,
	}
	done := Began("accepted", Sleeve()).Master().Rounds(SleeveRounds, 6, 0)
	done.Tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.IsAccepted, Reason: analysis.Say("verdict.in_size", 6, analysis.Say("verdict.rule.1.645u")), Part: "0007", Job: "J-4112"}})
	all["accepted"] = done.Bore()
	lost := Began("lost", Bush()).Master().Rounds(BushRounds, 3, 0)
	all["lost"] = lost.Tell(event.Event{Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-11", Lost: true, Why: analysis.Say("port.gone", "/dev/ttyUSB0")}}).Bore()
	all["unrecorded"] = Began("unrecorded", Bush()).Master().Rounds(BushRounds, 3, 0).Bore()
	all["unrecorded"].Unrecorded(analysis.Say("store.full"))
	ring := Began("ring", Sleeve())
	ring.Tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *ring.Set.Rings["R-1250"], Of: 3, Raw: lengths("31.7500")}})
	all["ring"] = ring.Bore()
	marks := Began("marks", Valve()).Master().Rounds(ValveRounds, 3, 7)
	marks.Tell(event.Event{Kind: event.Voided, Void: &event.Void{No: 24, Reason: analysis.Quote("dirt")}})
	marks.Tell(event.Event{Kind: event.Placed, Place: &event.Choice{Place: marks.Fold.Job.Plan()[8], Skip: true}})
	all["marks"] = marks.Bore()
	speeds := Began("speeds", Sleeve()).Master()
	speeds.Tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *speeds.Set.Rings["R-1250"], Of: 6, Check: true, Speeds: true, Raw: lengths("31.7500 31.7501 31.7500")}})
	all["speeds"] = speeds.Bore()
	assumed := Began("assumed", Sleeve())
	assumed.Set.Gauge.Assumed = true
	all["assumed"] = assumed.Master().Rounds(SleeveRounds, 6, 0).Bore()
	maps.Copy(all, seldom())
	return all
}

// seldom returns states that are rare, and that are easily misread for that reason.
func seldom() map[string]*state.Bore {
	all := map[string]*state.Bore{}
	warm := Began("warm", Tube()).Master().Rounds(tubeRounds, 3, 0)
	first := warm.Fold.Job.Plan()[0]
	for _, size := range lengths("44.4618 44.4600 44.4586 44.4575 44.4566 44.4559 44.4554") { // 8 K falling, 100 s apart
		warm.At = warm.At.Add(98 * time.Second)
		warm.Take(first, size)
	}
	all["warm"] = warm.Bore()
	cool := Began("cool", Sleeve()).Master().Rounds(SleeveRounds, 6, 0)
	for _, size := range lengths("31.7524 31.75215 31.7519 31.7517 31.75155 31.7514 31.7513") {
		cool.At = cool.At.Add(118 * time.Second)
		cool.Take(cool.Fold.Job.Plan()[0], size)
	}
	all["cool"] = cool.Bore()
	asks := Began("asks", Valve()).Master().Rounds(ValveRounds, 3, 7)
	asks.Fold.Readings[len(asks.Fold.Readings)-1].Ask = analysis.Say("ask.right_place", analysis.Place{Depth: 49 * analysis.Millimetre}, analysis.Place{Depth: 40 * analysis.Millimetre})
	all["asks"] = asks.Bore()
	surprise := Began("surprise", Bush()).Master().Rounds(BushRounds, 4, 3)
	surprise.Unexpected(surprise.Fold.Job.Plan()[3], Length("22.2340 mm"))
	all["surprise"] = surprise.Bore()
	all["spindle"] = Began("spindle", Bush()).Master().Rounds(BushRounds, 4, 0).Tell(event.Event{Kind: event.SpindleSwitched, Spindle: &event.Spindle{On: true}}).Bore()
	all["honing"] = Began("honing", Bush()).Master().Rounds(BushRounds, 4, 0).Tell(event.Event{Kind: event.SpindleSwitched, Spindle: &event.Spindle{On: true}}).hone(4).Bore()
	form := Sleeve()
	form.Variation = analysis.Deviation(analysis.Micrometre / 2)
	all["form"] = Began("form", form).Master().Rounds(strings.Replace(SleeveRounds, "31.7513 31.7512 31.7512 31.7511 31.7514 31.7513", "31.7517 31.7516 31.7512 31.7511 31.7509 31.7509", 1), 6, 0).Bore()
	all["nearhigh"] = Began("nearhigh", Sleeve()).Master().Rounds(strings.Replace(SleeveRounds, "31.7513 31.7512 31.7512", "31.7527 31.7526 31.7512", 1), 6, 0).Bore()
	stale := Began("stale", Sleeve()).Master().Rounds(SleeveRounds, 5, 0)
	all["stale"] = stale.Tell(event.Event{Kind: event.Disturbed, Note: "the gauge was dropped"}).Bore()
	refused := Began("refused", Sleeve()).Master().Rounds(SleeveRounds, 5, 3)
	all["refused"] = refused.Tell(event.Event{Kind: event.Refused, Refused: &event.Refusal{Reason: analysis.Say("capture.one_side")}}).Bore()
	eight := Began("eight", Valve()).Master().Rounds(ValveRounds+"\n"+strings.Repeat(strings.Split(ValveRounds, "\n")[4]+"\n", 3), 8, 0)
	all["eight"] = eight.Bore()
	reserve := Began("reserve", Bush()).Master().Rounds(BushRounds, 4, 0).Bore()
	reserve.Warning = analysis.Say("store.reserve")
	all["reserve"] = reserve
	aside := Began("aside", Sleeve()).Master().Rounds(SleeveRounds, 5, 0)
	all["aside"] = aside.Tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.OnHold, Reason: analysis.Quote("too close to call"), Part: "0007", Job: "J-4112"}}).Bore()
	turn := Began("turn", Sleeve()).Master()
	plan := event.Study{Since: turn.At.Add(-20 * time.Hour), Job: "J-4112", Place: turn.Fold.Job.Plan()[0], Parts: 10, Appraisers: []string{"first shift", "second shift", "quality"}, Trials: 3}
	gauging := plan
	gauging.Appraiser, gauging.Part, gauging.Trial = "second shift", "0007", 1
	all["turn"] = turn.Tell(event.Event{Kind: event.Studied, Study: &gauging}).Bore()
	all["rests"] = Began("rests", Sleeve()).Master().Tell(event.Event{Kind: event.Studied, Study: &plan}).Rounds(SleeveRounds, 5, 0).Bore()
	return all
}

// SleeveTyped returns the demo's sleeve as a person types it.
func SleeveTyped() map[string]string {
	return map[string]string{
		"id": "J-5001", "title": "sleeve", "unit": "in", "material": "tool steel", "nominal": "1.2500", "low": "1.25000", "high": "+0.00010",
		"variation": "1 um", "length": "2.5", "face": "front", "sections": "5mm 32mm; 58 mm", "orientations": "0 90°", "ring": "R-1250",
		"interrupts": "10mm 12mm groove", "band": "",
	}
}

// Rings returns the rings of the shop.
func Rings() []*analysis.Ring {
	return []*analysis.Ring{
		{ID: "R-0875", Size: Length("22.22512 mm"), U: analysis.Deviation(analysis.Micrometre / 4), Material: "steel"},
		{ID: "R-1250", Size: Length("31.74970 mm"), U: analysis.Deviation(analysis.Micrometre / 4), Material: "steel"},
	}
}

// Settings returns the settings that a new job is checked by.
func Settings() *state.Settings {
	set := &state.Settings{Jobs: map[string]*analysis.Job{"J-4107": Bush()}, Rings: map[string]*analysis.Ring{}}
	for _, r := range Rings() {
		set.Rings[r.ID] = r
	}
	return set
}
