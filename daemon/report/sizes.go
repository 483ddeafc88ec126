package report

import (
	"fmt"
	"slices"
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// roundsAcross is how many rounds stand side by side in a table of sizes.
const roundsAcross = 8

// rounds returns the rounds of the part, that before the first honing included.
func (r *record) rounds() []event.Round {
	return append([]event.Round{{}}, r.fold.Rounds...)
}

// sizes tables the size at each place by round, the newest round last and in full.
func (r *record) sizes() {
	all := r.rounds()
	last := r.Bore.Basis
	if n := slices.IndexFunc(all, func(x event.Round) bool { return x.Number == last }); n >= 0 {
		all = all[:n+1]
	}
	r.doc.Add(document.Heading("Sizes by round"))
	for len(all) > roundsAcross {
		tables := (len(all) + roundsAcross - 1) / roundsAcross
		n := len(all) / tables // the fuller ones come last
		r.doc.Add(r.sizeTable(all[:n], false))
		all = all[n:]
	}
	t := r.sizeTable(all, true)
	t.Notes = append(t.Notes, fmt.Sprintf("Ø in %s, corrected to the master%s. Depth from the %s / clock angle.", spelt(r.unit), r.corrected(), orDash(clean(r.job.Face))))
	if r.indented() {
		t.Notes = append(t.Notes, "Corrected for how much deeper the gauge's tips sink into the part than into the ring; what that leaves is in the budget.")
	}
	if len(r.fold.Doubtful) > 0 {
		t.Notes = append(t.Notes, "In brackets: in doubt after a check that failed, and not counted.")
	}
	if len(r.fold.Warmer) > 0 {
		t.Notes = append(t.Notes, "In brackets: "+tooWarm+", and not counted.")
	}
	if len(r.fold.Asked) > 0 {
		t.Notes = append(t.Notes, "In brackets: "+notConfirmed+", and not counted.")
	}
	if r.again() {
		t.Notes = append(t.Notes, "Where a place was gauged more than once in a round, the newest counts.")
	}
	r.doc.Add(t)
}

// corrected says by what temperatures sizes were corrected, if any was.
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
		return " and to 20 °C from measured temperatures or from how the part cooled"
	case cooled && at20:
		return " and to 20 °C from how the part cooled and the measured temperature of its surroundings"
	case cooled:
		return " and for how warm the part was above its surroundings, from how it cooled"
	case measured:
		return " and to 20 °C from measured temperatures"
	}
	return ""
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
	t := &document.Table{Columns: []document.Column{{Head: "depth / angle", Left: true}}}
	for _, x := range rounds {
		t.Columns = append(t.Columns, document.Column{Head: "round " + strconv.Itoa(x.Number)})
	}
	o := other(r.unit)
	if full {
		t.Columns = append(t.Columns, document.Column{Head: o.String()}, document.Column{Head: "from target, " + fine(r.unit).String()}, document.Column{Head: "by the rule", Left: true})
	}
	t.Over = r.honing(rounds, len(t.Columns))
	current := make([]map[analysis.Place]*event.Reading, len(rounds))
	for i, x := range rounds {
		current[i] = r.fold.Current(x.Number)
	}
	for _, p := range r.job.Plan() {
		row := []string{where(p, r.unit)}
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

// cell is the size at a place in a round: in brackets if it is in doubt, a dash
// if there is none that stands.
func (r *record) cell(x *event.Reading, a at) string {
	if x != nil {
		return size(x.Size, r.unit)
	}
	for i := len(r.fold.Readings) - 1; i >= 0; i-- {
		y := r.fold.Readings[i]
		_, void := r.fold.Voids[y.No]
		if (at{y.Round, y.Place}) == a && !void {
			return "(" + size(y.Size, r.unit) + ")"
		}
	}
	return "–"
}

// last are the cells beside the size of the newest round.
func (r *record) last(x *event.Reading) []string {
	if x == nil {
		return []string{"–", "–", "–"}
	}
	d := x.Size - r.job.Target
	return []string{size(x.Size, other(r.unit)), from(analysis.Deviation(d), r.unit), r.judged(x.Place)}
}

func (r *record) judged(p analysis.Place) string {
	j := r.Bore.Judged
	if j == nil {
		return "–"
	}
	for _, l := range j.Sizes.Locals {
		if l.Place == p {
			return decided(l.Decision, l.Side)
		}
	}
	return "–"
}

// decided writes a decision with the limit it is about.
func decided(d verdict.Decision, s verdict.Side) string {
	if s == verdict.Inside || d == verdict.Conforms {
		return string(d)
	}
	return string(d) + ", " + string(s)
}

// honing are the rows that say what was done before each round.
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
	row("gauged until", func(x event.Round) string {
		for i := range r.Bore.Rounds {
			if y := &r.Bore.Rounds[i]; y.Number == x.Number {
				return clock(y.At)
			}
		}
		return ""
	})
	row("strokes before", func(x event.Round) string { return nonzero(x.Strokes) })
	row("seconds before", func(x event.Round) string { return nonzero(int(x.Seconds + 0.5)) })
	row("stones", func(x event.Round) string {
		if x.Dressed {
			return "dressed"
		}
		return ""
	})
	row("part, °C", r.warmth())
	return rows
}

// tooWarm is why a reading of a warm part does not count.
const tooWarm = "taken while the part was warm by what was not known"

func nonzero(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// warmth tells how warm the part was in a round, as last measured in it or as its cooling
// told.
func (r *record) warmth() func(event.Round) string {
	by, round := map[int]string{}, 0
	for i := range r.Records {
		switch e := &r.Records[i]; {
		case e.Round != nil:
			round = e.Round.Number
		case e.Warm != nil && e.Warm.Part != nil:
			by[round] = fmt.Sprintf("%.1f", e.Warm.Part.Degrees())
		case e.Cool != nil && !e.Cool.Ended:
			by[round] = coolDown(e.Cool)
		}
	}
	return func(x event.Round) string { return by[x.Number] }
}

// coolDown writes how warm a part was by how it cooled: above 20 °C where the
// temperature of its surroundings is known, else above those.
func coolDown(c *event.CoolDown) string {
	if c.Surroundings == nil {
		return fmt.Sprintf("+%.1f K", c.Warmer.Degrees())
	}
	return fmt.Sprintf("%.1f", (*c.Surroundings + c.Warmer).Degrees())
}

// sums are the extremes of each round, and what it brought.
func (r *record) sums(rounds []event.Round, current []map[analysis.Place]*event.Reading, width int, full bool) [][]string {
	smallest, largest := make([]string, width), make([]string, width)
	smallest[0], largest[0] = "smallest", "largest"
	for i := range rounds {
		lo, hi := extremes(current[i])
		if lo == nil {
			continue
		}
		smallest[i+1], largest[i+1] = size(lo.Size, r.unit), size(hi.Size, r.unit)
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
