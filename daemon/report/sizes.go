package report

import (
	"slices"
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// roundsAcross is the number of rounds side by side in a table of sizes.
const roundsAcross = 8

// rounds returns the rounds of the part, including the one before the first honing.
func (r *record) rounds() []event.Round {
	return append([]event.Round{{}}, r.fold.Rounds...)
}

// sizes tables the size at each place by round. The newest round is last, with all details.
func (r *record) sizes() {
	all := r.rounds()
	last := r.Bore.Basis
	if n := slices.IndexFunc(all, func(x event.Round) bool { return x.Number == last }); n >= 0 {
		all = all[:n+1]
	}
	r.section(r.Text("record.by_round"))
	for len(all) > roundsAcross {
		tables := (len(all) + roundsAcross - 1) / roundsAcross
		n := len(all) / tables // the fuller tables come last
		r.doc.Add(r.sizeTable(all[:n], false))
		all = all[n:]
	}
	t := r.sizeTable(all, true)
	t.Notes = append(t.Notes, r.corrected()+" "+r.Text("record.note.depth", analysis.FaceName(clean(r.job.Face))))
	for _, n := range []struct {
		applies bool
		text    string
	}{
		{r.indented(), r.Text("record.note.indented")}, {len(r.fold.Doubtful) > 0, r.Text("record.note.doubtful")}, {len(r.fold.TakenWarm) > 0, r.Text("record.note.warm")},
		{len(r.fold.Asked) > 0, r.Text("record.note.not_confirmed")}, {r.again(), r.Text("record.note.again")},
	} {
		if n.applies {
			t.Notes = append(t.Notes, n.text)
		}
	}
	r.doc.Add(t)
}

// corrected says what the sizes were corrected for.
func (r *record) corrected() string {
	var measured, cooled bool
	for _, x := range r.fold.Readings {
		byCooling := x.PartFrom == event.ByCooling
		cooled = cooled || byCooling
		measured = measured || x.Thermal != 0 && !byCooling
	}
	at20 := slices.ContainsFunc(r.Records, func(e event.Record) bool { return e.Cool != nil && e.Cool.Surroundings != nil })
	switch {
	case measured && cooled:
		return r.Text("record.note.measured_or_cooled", r.spelt())
	case cooled && at20:
		return r.Text("record.note.cooled_to_20", r.spelt())
	case cooled:
		return r.Text("record.note.cooled", r.spelt())
	case measured:
		return r.Text("record.note.measured", r.spelt())
	}
	return r.Text("record.note.mastered", r.spelt())
}

// indented reports whether any size was corrected for the indentation.
func (r *record) indented() bool {
	return slices.ContainsFunc(r.fold.Readings, func(x *event.Reading) bool { return x.Indentation != 0 })
}

// again reports whether a place was gauged more than once in a round.
func (r *record) again() bool {
	seen := map[at]bool{}
	for i := range r.fold.Readings {
		x := at{r.fold.Readings[i].Round, r.fold.Readings[i].Place}
		if seen[x] {
			return true
		}
		seen[x] = true
	}
	return false
}

type at struct {
	round int
	place analysis.Place
}

func (r *record) sizeTable(rounds []event.Round, full bool) *document.Table {
	t := &document.Table{Columns: words(r.Text("record.depth_angle"))}
	for _, x := range rounds {
		t.Columns = append(t.Columns, numbers(r.Text("record.round", x.Number))...)
	}
	if full {
		t.Columns = slices.Concat(t.Columns, numbers(r.Beside().Large().String(), r.Text("record.from_target", r.MicroUnit())), words(r.Text("record.by_rule")))
	}
	t.Over = r.honing(rounds, len(t.Columns))
	current := make([]map[analysis.Place]*event.Reading, len(rounds))
	for i, x := range rounds {
		current[i] = r.fold.Current(x.Number)
	}
	for _, p := range r.job.Plan() {
		row := []string{r.Place(p)}
		for i, x := range rounds {
			row = append(row, r.cell(current[i][p], at{x.Number, p}))
		}
		if full {
			row = append(row, r.last(current[len(rounds)-1][p])...)
		}
		t.Rows = append(t.Rows, row)
	}
	t.Under = r.sums(rounds, current, len(t.Columns), full)
	return t
}

// cell returns the size at a place in a round: in brackets if it is in doubt, a dash if there is no
// valid one.
func (r *record) cell(x *event.Reading, a at) string {
	if x != nil {
		return r.Digits(x.Size)
	}
	for i := len(r.fold.Readings) - 1; i >= 0; i-- {
		y := r.fold.Readings[i]
		_, void := r.fold.Voids[y.No]
		if (at{y.Round, y.Place}) == a && !void {
			return "(" + r.Digits(y.Size) + ")"
		}
	}
	return none
}

// last returns the cells beside the size of the newest round.
func (r *record) last(x *event.Reading) []string {
	if x == nil {
		return []string{none, none, none}
	}
	return []string{r.Beside().Digits(x.Size), r.Signed(analysis.Deviation(x.Size - r.job.Target)), r.decided(r.judged(x.Place))}
}

// judged returns the code of the decision on the size at a place, "" without one.
func (r *record) judged(p analysis.Place) string {
	if j := r.Bore.Judged; j != nil {
		for _, l := range j.Sizes.Locals {
			if l.Place == p {
				return decision(l.Decision, l.Side)
			}
		}
	}
	return ""
}

// decision returns the code of a decision with the limit that it is about.
func decision(d verdict.Decision, s verdict.Side) string {
	if s == verdict.Inside || d == verdict.Conforms {
		return string(d)
	}
	return string(d) + "." + string(s)
}

// decided returns the text of a decision code.
func (r *record) decided(code string) string {
	if code == "" {
		return none
	}
	return r.Text("record.decision." + code)
}

// honing returns the rows that say what was done before each round.
func (r *record) honing(rounds []event.Round, width int) (rows [][]string) {
	row := func(name string, cell func(event.Round) string) {
		cells := make([]string, width)
		cells[0] = name
		some := false
		for i, x := range rounds {
			if s := cell(x); s != "" {
				cells[i+1], some = s, true
			}
		}
		if some {
			rows = append(rows, cells)
		}
	}
	row(r.Text("record.gauged_until"), func(x event.Round) string {
		for i := range r.Bore.Rounds {
			if y := &r.Bore.Rounds[i]; y.Number == x.Number {
				return clock(y.At)
			}
		}
		return ""
	})
	row(r.Text("record.strokes_before"), func(x event.Round) string { return nonzero(x.Strokes) })
	row(r.Text("record.seconds_before"), func(x event.Round) string { return nonzero(int(x.Seconds + 0.5)) })
	row(r.Text("record.stones"), func(x event.Round) string {
		if x.Dressed {
			return r.Text("record.dressed")
		}
		return ""
	})
	row(r.Text("record.part_warmth"), r.warmth())
	return rows
}

func nonzero(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// warmth says how warm the part was in a round, as last measured or as its cooling showed.
func (r *record) warmth() func(event.Round) string {
	by, round := map[int]string{}, 0
	for i := range r.Records {
		switch e := &r.Records[i]; {
		case e.Round != nil:
			round = e.Round.Number
		case e.Warm != nil && e.Warm.Part != nil:
			by[round] = r.Decimal(e.Warm.Part.Degrees(), 1)
		case e.Cool != nil && !e.Cool.Ended:
			by[round] = r.coolDown(e.Cool)
		}
	}
	return func(x event.Round) string { return by[x.Number] }
}

// coolDown formats how warm a part was by its cooling: above 20 °C if the temperature of its
// surroundings is known, else above that temperature.
func (r *record) coolDown(c *event.CoolDown) string {
	if c.Surroundings == nil {
		return "+" + r.Decimal(c.Warmer.Degrees(), 1) + " K"
	}
	return r.Decimal((*c.Surroundings + c.Warmer).Degrees(), 1)
}

// sums tables the extreme sizes of each round, and what it removed.
func (r *record) sums(rounds []event.Round, current []map[analysis.Place]*event.Reading, width int, full bool) [][]string {
	smallest, largest := make([]string, width), make([]string, width)
	smallest[0], largest[0] = r.Text("record.smallest"), r.Text("record.largest")
	for i := range rounds {
		lo, hi := extremes(current[i])
		if lo == nil {
			continue
		}
		smallest[i+1], largest[i+1] = r.Digits(lo.Size), r.Digits(hi.Size)
		if full && i == len(rounds)-1 {
			copy(smallest[i+2:], r.last(lo)[:2])
			copy(largest[i+2:], r.last(hi)[:2])
		}
	}
	return [][]string{smallest, largest}
}

func extremes(now map[analysis.Place]*event.Reading) (lo, hi *event.Reading) {
	for _, x := range now {
		if lo == nil || x.Size < lo.Size {
			lo = x
		}
		if hi == nil || x.Size > hi.Size {
			hi = x
		}
	}
	return lo, hi
}
