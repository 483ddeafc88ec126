package web

import (
	"context"
	"errors"
	"maps"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// The demo's shop: four invented jobs, each with the sizes that were gauged round
// by round, in mm, in the order of the plan.

func length(s string) analysis.Length {
	l, err := analysis.ParseLength(s)
	if err != nil {
		panic(err)
	}
	return l
}

func lengths(s string) (out []analysis.Length) {
	for _, f := range strings.Fields(s) {
		out = append(out, length(f+" mm"))
	}
	return out
}

func bush() *analysis.Job {
	return &analysis.Job{
		ID: "J-4107", Title: "pivot bracket bush", Unit: analysis.IN, Material: "bronze", Face: "front",
		Nominal: length("0.8752 in"), Limits: analysis.Limits{Low: length("22.22754 mm"), High: length("22.23262 mm"), Target: length("22.23008 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: length("38.1 mm"), Sections: lengths("4 13 25 34"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Interrupts: []analysis.Interrupt{{From: length("17 mm"), To: length("21 mm"), What: "oil hole"}}, Ring: "R-0875",
	}
}

const bushRounds = `22.1627 22.1567 22.1656 22.1595 22.1675 22.1616 22.1705 22.1645
22.1849 22.1838 22.1868 22.1855 22.1888 22.1876 22.1905 22.1895
22.2065 22.2065 22.2072 22.2068 22.2093 22.2089 22.2099 22.2095
22.2232 22.2232 22.2221 22.2220 22.2239 22.2240 22.2229 22.2229
22.2281 22.2281 22.2266 22.2266 22.2287 22.2285 22.2274 22.2274
22.2299 22.2296 22.2283 22.2282 22.2302 22.2300 22.2292 22.2290`

func sleeve() *analysis.Job {
	return &analysis.Job{
		ID: "J-4112", Title: "spindle sleeve", Unit: analysis.IN, Material: "tool steel", Face: "front",
		Nominal: length("31.75 mm"), Limits: analysis.Limits{Low: length("31.75 mm"), High: length("31.75254 mm"), Target: length("31.75127 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: length("63.5 mm"), Sections: lengths("5 32 58"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-1250",
	}
}

const sleeveRounds = `31.7258 31.7256 31.7252 31.7250 31.7240 31.7238
31.7334 31.7333 31.7328 31.7327 31.7317 31.7316
31.7402 31.7402 31.7397 31.7396 31.7386 31.7386
31.7448 31.7448 31.7444 31.7444 31.7434 31.7434
31.7481 31.7480 31.7475 31.7474 31.7468 31.7467
31.7513 31.7512 31.7512 31.7511 31.7514 31.7513`

func valve() *analysis.Job {
	groove := func(from, to string) analysis.Interrupt {
		return analysis.Interrupt{From: length(from), To: length(to), What: "groove"}
	}
	return &analysis.Job{
		ID: "J-4120", Title: "relief valve body", Unit: analysis.MM, Material: "grey iron", Face: "front", Blind: true,
		Nominal: length("15.88 mm"), Limits: analysis.Limits{Low: length("15.8780 mm"), High: length("15.8840 mm"), Target: length("15.8810 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: length("52 mm"), Sections: lengths("5 16 28 40 49"),
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-0625",
		Interrupts: []analysis.Interrupt{groove("9 mm", "12 mm"), groove("21 mm", "24 mm"), groove("33 mm", "36 mm")},
	}
}

const valveRounds = `15.8508 15.8489 15.8497 15.8479 15.8488 15.8468 15.8470 15.8448 15.8438 15.8419
15.8611 15.8600 15.8595 15.8584 15.8584 15.8574 15.8563 15.8553 15.8519 15.8511
15.8707 15.8702 15.8687 15.8681 15.8677 15.8672 15.8658 15.8651 15.8598 15.8592
15.8749 15.8745 15.8738 15.8738 15.8737 15.8737 15.8739 15.8735 15.8719 15.8716
15.8787 15.8784 15.8776 15.8773 15.8775 15.8773 15.8774 15.8774 15.8764 15.8763`

func tube() *analysis.Job {
	return &analysis.Job{
		ID: "J-4131", Title: "dash tube", Unit: analysis.IN, Material: "aluminium", Face: "front",
		Nominal: length("44.45 mm"), Limits: analysis.Limits{Low: length("44.45 mm"), High: length("44.47 mm"), Target: length("44.46 mm")},
		Band: analysis.Deviation(200 * analysis.Micrometre), Length: length("254 mm"), Sections: lengths("10 65 127 190 244"),
		Orientations: []analysis.Angle{0, 60 * analysis.Degree, 120 * analysis.Degree}, Ring: "R-1750",
	}
}

const tubeRounds = `44.4160 44.4133 44.4082 44.4110 44.4084 44.4033 44.4071 44.4042 44.3993 44.4109 44.4082 44.4033 44.4160 44.4133 44.4083
44.4455 44.4449 44.4438 44.4403 44.4398 44.4389 44.4352 44.4346 44.4335 44.4403 44.4398 44.4388 44.4452 44.4448 44.4439
44.4537 44.4536 44.4535 44.4541 44.4540 44.4537 44.4530 44.4527 44.4526 44.4541 44.4540 44.4538 44.4537 44.4535 44.4533`

// play is a station's life up to a moment.
type play struct {
	fold state.Fold
	set  state.Settings
	at   time.Time
	no   int
	told []event.Record
}

func began(station string, job *analysis.Job) *play {
	um := analysis.Deviation(analysis.Micrometre)
	ring := &analysis.Ring{ID: job.Ring, Size: job.Target, U: um / 4, Material: "steel"}
	p := &play{at: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC), set: state.Settings{
		Station: station, Gauge: state.GaugeSettings{Name: "G-11", Repeatability: um * 15 / 100, Step: um / 10},
		Master: state.MasterSettings{Readings: 3, Spread: um / 2, Lapse: master.UsualLapse()},
		Doubt:  state.Doubt{Drift: um * 3 / 10, Contact: um / 20, PartWithin: analysis.Celsius / 2}, Rule: verdict.Expanded,
		Jobs: map[string]*analysis.Job{job.ID: job}, Rings: map[string]*analysis.Ring{ring.ID: ring},
	}}
	p.fold.Station = station
	p.set.Master.Lapse.Age = 24 * time.Hour
	p.tell(event.Event{Kind: event.JobChosen, Job: job})
	p.tell(event.Event{Kind: event.GaugeSeen, Gauge: &event.Gauge{Name: "G-11"}})
	p.tell(event.Event{Kind: event.PartBegun, Part: &event.Part{Serial: "0007", Count: 7}})
	return p
}

func (p *play) tell(e event.Event) *play {
	p.at = p.at.Add(2 * time.Second)
	e.At, e.Station = p.at, p.set.Station
	p.fold.Apply(&e)
	p.told = append(p.told, event.Record{Journal: "6f1c", Seq: uint64(len(p.told) + 1), Event: e})
	return p
}

func (p *play) master() *play {
	ring := p.set.Rings[p.fold.Job.Ring]
	return p.tell(event.Event{Kind: event.Mastered, Master: &event.Master{Number: 1, Ring: *ring, Of: 3}})
}

func (p *play) take(place analysis.Place, size analysis.Length) *play {
	p.no++
	r := &event.Reading{No: p.no, Mastered: 1, Gauge: "G-11", Deviation: analysis.Deviation(size - p.fold.Job.Target)}
	r.Place, r.Round, r.Size, r.At = place, p.fold.Round(), size, p.at.Add(2*time.Second)
	return p.tell(event.Event{Kind: event.Taken, Reading: r})
}

// surprise takes a reading that is asked about.
func (p *play) surprise(place analysis.Place, size analysis.Length) *play {
	p.no++
	r := &event.Reading{
		No: p.no, Mastered: 1, Gauge: "G-11", Deviation: analysis.Deviation(size - p.fold.Job.Target), Surprising: true,
		Expected: size - 12*analysis.Micrometre, ExpectedU: 12_000, Ask: analysis.Say("ask.larger", analysis.Deviation(12*analysis.Micrometre), place),
	}
	r.Place, r.Round, r.Size, r.At = place, p.fold.Round(), size, p.at.Add(2*time.Second)
	return p.tell(event.Event{Kind: event.Taken, Reading: r})
}

// rounds plays rounds of gauging with honing between them; of the last, only so
// many readings if some is more than 0.
func (p *play) rounds(table string, n, some int) *play {
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
			p.take(p.fold.Job.Plan()[k], size)
		}
	}
	return p
}

func (p *play) hone(strokes int) *play {
	return p.tell(event.Event{Kind: event.RoundOver, Round: &event.Round{Number: p.fold.Round() + 1, Strokes: strokes}})
}

func (p *play) bore() *state.Bore {
	b := p.fold.Bore(&p.set, p.at)
	b.Journal, b.Seq = "6f1c", uint64(p.no)
	return b
}

// states are stations in each state that a page has to tell.
func states() map[string]*state.Bore {
	all := map[string]*state.Bore{
		"rough":    began("rough", bush()).master().rounds(bushRounds, 2, 0).bore(),
		"partial":  began("partial", bush()).master().rounds(bushRounds, 4, 5).bore(),
		"closing":  began("closing", bush()).master().rounds(bushRounds, 4, 0).bore(),
		"close":    began("close", bush()).master().rounds(bushRounds, 5, 0).bore(),
		"insize":   began("insize", sleeve()).master().rounds(sleeveRounds, 6, 0).bore(),
		"sleeve":   began("sleeve", sleeve()).master().rounds(sleeveRounds, 5, 0).bore(),
		"blind":    began("blind", valve()).master().rounds(valveRounds, 3, 0).bore(),
		"tube":     began("tube", tube()).master().rounds(tubeRounds, 3, 7).bore(),
		"waist":    began("waist", tube()).master().rounds(tubeRounds, 2, 0).bore(),
		"unset":    began("unset", bush()).bore(),
		"ready":    began("ready", valve()).master().bore(),
		"honed":    began("honed", bush()).master().rounds(bushRounds, 3, 0).hone(8).bore(),
		"over":     began("over", sleeve()).master().rounds(strings.Replace(sleeveRounds, "31.7513 31.7512", "31.7536 31.7535", 1), 6, 0).bore(),
		"accepted": nil, "lost": nil, "unrecorded": nil, "ring": nil, "marks": nil,
	}
	done := began("accepted", sleeve()).master().rounds(sleeveRounds, 6, 0)
	done.tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Accepted: true, Reason: analysis.Quote("In size."), Part: "0007", Job: "J-4112"}})
	all["accepted"] = done.bore()
	lost := began("lost", bush()).master().rounds(bushRounds, 3, 0)
	all["lost"] = lost.tell(event.Event{Kind: event.GaugeSeen, Gauge: &event.Gauge{Name: "G-11", Lost: true, Why: analysis.Quote("unplugged")}}).bore()
	all["unrecorded"] = began("unrecorded", bush()).master().rounds(bushRounds, 3, 0).bore()
	all["unrecorded"].Recording, all["unrecorded"].State, all["unrecorded"].Why = false, event.CannotJudge, analysis.Quote("NOT RECORDING: the disk is full")
	ring := began("ring", sleeve())
	ring.tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *ring.set.Rings["R-1250"], Of: 3, Raw: lengths("31.7500")}})
	all["ring"] = ring.bore()
	marks := began("marks", valve()).master().rounds(valveRounds, 3, 7)
	marks.tell(event.Event{Kind: event.Voided, Void: &event.Void{No: 24, Reason: analysis.Quote("dirt")}})
	marks.tell(event.Event{Kind: event.Placed, Place: &event.Choice{Place: marks.fold.Job.Plan()[8], Skip: true}})
	all["marks"] = marks.bore()
	speeds := began("speeds", sleeve()).master()
	speeds.tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *speeds.set.Rings["R-1250"], Of: 6, Check: true, Speeds: true, Raw: lengths("31.7500 31.7501 31.7500")}})
	all["speeds"] = speeds.bore()
	assumed := began("assumed", sleeve())
	assumed.set.Gauge.Assumed = true
	all["assumed"] = assumed.master().rounds(sleeveRounds, 6, 0).bore()
	maps.Copy(all, seldom())
	return all
}

// seldom are states that a station is seldom in, and that are the more easily misread.
func seldom() map[string]*state.Bore {
	all := map[string]*state.Bore{}
	warm := began("warm", tube()).master().rounds(tubeRounds, 3, 0)
	first := warm.fold.Job.Plan()[0]
	for _, size := range lengths("44.4618 44.4600 44.4586 44.4575 44.4566 44.4559 44.4554") { // 8 K falling, 100 s apart
		warm.at = warm.at.Add(98 * time.Second)
		warm.take(first, size)
	}
	all["warm"] = warm.bore()
	cool := began("cool", sleeve()).master().rounds(sleeveRounds, 6, 0)
	for _, size := range lengths("31.7524 31.75215 31.7519 31.7517 31.75155 31.7514 31.7513") {
		cool.at = cool.at.Add(118 * time.Second)
		cool.take(cool.fold.Job.Plan()[0], size)
	}
	all["cool"] = cool.bore()
	asks := began("asks", valve()).master().rounds(valveRounds, 3, 7)
	asks.fold.Readings[len(asks.fold.Readings)-1].Ask = analysis.Say("ask.right_place", analysis.Place{Depth: 49 * analysis.Millimetre}, analysis.Place{Depth: 40 * analysis.Millimetre})
	all["asks"] = asks.bore()
	surprise := began("surprise", bush()).master().rounds(bushRounds, 4, 3)
	surprise.surprise(surprise.fold.Job.Plan()[3], length("22.2340 mm"))
	all["surprise"] = surprise.bore()
	all["spindle"] = began("spindle", bush()).master().rounds(bushRounds, 4, 0).tell(event.Event{Kind: event.Turning, Spindle: &event.Spindle{On: true}}).bore()
	all["honing"] = began("honing", bush()).master().rounds(bushRounds, 4, 0).tell(event.Event{Kind: event.Turning, Spindle: &event.Spindle{On: true}}).hone(4).bore()
	form := sleeve()
	form.Variation = analysis.Deviation(analysis.Micrometre / 2)
	all["form"] = began("form", form).master().rounds(strings.Replace(sleeveRounds, "31.7513 31.7512 31.7512 31.7511 31.7514 31.7513", "31.7517 31.7516 31.7512 31.7511 31.7509 31.7509", 1), 6, 0).bore()
	all["nearhigh"] = began("nearhigh", sleeve()).master().rounds(strings.Replace(sleeveRounds, "31.7513 31.7512 31.7512", "31.7527 31.7526 31.7512", 1), 6, 0).bore()
	stale := began("stale", sleeve()).master().rounds(sleeveRounds, 5, 0)
	all["stale"] = stale.tell(event.Event{Kind: event.Disturbed, Note: "the gauge was dropped"}).bore()
	refused := began("refused", sleeve()).master().rounds(sleeveRounds, 5, 3)
	all["refused"] = refused.tell(event.Event{Kind: event.Refused, Refused: &event.Refusal{Reason: analysis.Quote("Rocked to one side only: rock through square, to both sides.")}}).bore()
	eight := began("eight", valve()).master().rounds(valveRounds+"\n"+strings.Repeat(strings.Split(valveRounds, "\n")[4]+"\n", 3), 8, 0)
	all["eight"] = eight.bore()
	reserve := began("reserve", bush()).master().rounds(bushRounds, 4, 0).bore()
	reserve.Warning = analysis.Quote("the disk is nearly full: the reserve is in use")
	all["reserve"] = reserve
	aside := began("aside", sleeve()).master().rounds(sleeveRounds, 5, 0)
	all["aside"] = aside.tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Reason: analysis.Quote("too close to call"), Part: "0007", Job: "J-4112"}}).bore()
	turn := began("turn", sleeve()).master()
	plan := event.Study{Since: turn.at.Add(-20 * time.Hour), Job: "J-4112", Place: turn.fold.Job.Plan()[0], Parts: 10, Appraisers: []string{"first shift", "second shift", "quality"}, Trials: 3}
	gauging := plan
	gauging.Appraiser, gauging.Part, gauging.Trial = "second shift", "0007", 1
	all["turn"] = turn.tell(event.Event{Kind: event.Studied, Study: &gauging}).bore()
	all["rests"] = began("rests", sleeve()).master().tell(event.Event{Kind: event.Studied, Study: &plan}).rounds(sleeveRounds, 5, 0).bore()
	return all
}

// shop is a Source of stations that a test changes.
type shop struct {
	mu    sync.Mutex
	order []string
	bores map[string]*state.Bore
	subs  map[*shopper]bool
	did   []event.Action
	reply func(event.Action) event.Reply
}

func newShop(bores ...*state.Bore) *shop {
	s := &shop{bores: map[string]*state.Bore{}, subs: map[*shopper]bool{}}
	for _, b := range bores {
		s.order = append(s.order, b.Station)
		s.bores[b.Station] = b
	}
	return s
}

func (s *shop) Stations() (out []Station) {
	for _, n := range s.order {
		out = append(out, Station{Name: n, Title: "bay " + n})
	}
	return out
}

func (s *shop) Bore(name string) *state.Bore {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bores[name]
}

func (s *shop) Do(_ context.Context, _ string, a event.Action) event.Reply {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.did = append(s.did, a)
	if s.reply != nil {
		return s.reply(a)
	}
	return event.Reply{ID: a.ID, Do: a.Do, Done: true}
}

func (s *shop) set(b *state.Bore) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.bores[b.Station] = b
	for sub := range s.subs {
		sub.put(b)
	}
}

func (s *shop) live(l event.Live) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for sub := range s.subs {
		if sub.name == "" || sub.name == l.Station {
			sub.mu.Lock()
			sub.lives = []event.Live{l}
			sub.mu.Unlock()
			sub.signal()
		}
	}
}

func (s *shop) viewers() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.subs)
}

func (s *shop) Subscribe(name string) Subscription {
	s.mu.Lock()
	defer s.mu.Unlock()
	sub := &shopper{shop: s, name: name, ready: make(chan struct{}, 1)}
	s.subs[sub] = true
	for _, n := range s.order {
		sub.put(s.bores[n])
	}
	return sub
}

// shopper is one viewer of a shop.
type shopper struct {
	shop  *shop
	name  string
	ready chan struct{}
	mu    sync.Mutex
	bores []*state.Bore
	lives []event.Live
}

func (v *shopper) signal() {
	select {
	case v.ready <- struct{}{}:
	default:
	}
}

func (v *shopper) put(b *state.Bore) {
	if v.name != "" && v.name != b.Station {
		return
	}
	v.mu.Lock()
	v.bores = append(v.bores, b)
	v.mu.Unlock()
	v.signal()
}

func (v *shopper) Ready() <-chan struct{} { return v.ready }

func (v *shopper) Take() ([]*state.Bore, []event.Live, []event.Record) {
	v.mu.Lock()
	defer v.mu.Unlock()
	b, l := v.bores, v.lives
	v.bores, v.lives = nil, nil
	return b, l, nil
}

func (v *shopper) Close() {
	v.shop.mu.Lock()
	defer v.shop.mu.Unlock()
	delete(v.shop.subs, v)
}

// eventually waits for a condition that another goroutine brings about.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(errors.New("waited for " + what))
		}
	}
}

// testEntry takes jobs in as a station of the demo does.
func testEntry() *Entry {
	rings := []*analysis.Ring{
		{ID: "R-0875", Size: length("22.22512 mm"), U: analysis.Deviation(analysis.Micrometre / 4), Material: "steel"},
		{ID: "R-1250", Size: length("31.74970 mm"), U: analysis.Deviation(analysis.Micrometre / 4), Material: "steel"},
	}
	set := state.Settings{Jobs: map[string]*analysis.Job{"J-4107": bush()}, Rings: map[string]*analysis.Ring{}}
	for _, r := range rings {
		set.Rings[r.ID] = r
	}
	return &Entry{
		Check:     func(_ string, j *analysis.Job) []error { return set.CheckJob(j) },
		Rings:     func(string) []*analysis.Ring { return rings },
		Materials: []string{"bronze", "grey iron", "tool steel"},
	}
}

// shelf is a History of finished parts.
type shelf struct{ play *play }

func (h shelf) Parts(_ context.Context, f PartFilter) ([]PartLine, error) {
	b := h.play.bore()
	l := PartLine{Station: b.Station, Job: b.Job.ID, Part: b.Part.Serial, Seq: 3, First: h.play.at, Last: h.play.at, Readings: h.play.no, Verdict: b.Verdict}
	if f.Job != "" && f.Job != l.Job || f.Part != "" && f.Part != l.Part || f.Station != "" && f.Station != l.Station {
		return nil, nil
	}
	return []PartLine{l}, nil
}

func (h shelf) Record(_ context.Context, station string, seq uint64) (*state.Bore, []event.Record, error) {
	if station != h.play.set.Station || seq != 3 {
		return nil, nil, ErrNoPart
	}
	return h.play.bore(), h.play.told, nil
}

func (h shelf) Studies(_ context.Context, station, job string, most int) ([]StudyLine, error) {
	l := StudyLine{Station: "marks", Job: "J-4112", Seq: 5, At: h.play.at, Parts: 10, Appraisers: []string{"first shift", "<b>"}}
	if station != "" && station != l.Station || job != "" && job != l.Job || most < 1 {
		return nil, nil
	}
	return []StudyLine{l}, nil
}

func (h shelf) Study(ctx context.Context, station string, seq uint64) (p StudyPage, err error) {
	all, err := h.Studies(ctx, station, "", 1)
	if err == nil && (len(all) == 0 || seq != 0 && seq != all[0].Seq) {
		err = ErrNoStudy
	}
	if err != nil {
		return p, err
	}
	return StudyPage{StudyLine: all[0], Article: "<article class=\"report\"><h1>Gauge study</h1></article>"}, nil
}
