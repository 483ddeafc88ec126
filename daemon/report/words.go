package report

import (
	"fmt"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
)

// other returns the unit that stands beside a drawing's.
func other(u analysis.Unit) analysis.Unit {
	if u.Inch() {
		return analysis.MM
	}
	return analysis.IN
}

// large is the unit of sizes on a drawing, mm or in.
func large(u analysis.Unit) analysis.Unit {
	if u.Inch() {
		return analysis.IN
	}
	return analysis.MM
}

// spelt writes the unit of a drawing out.
func spelt(u analysis.Unit) string {
	if u.Inch() {
		return "inches"
	}
	return "millimetres"
}

// places is how many decimals a size has: 0.1 µm, or a millionth of an inch.
func places(u analysis.Unit) int {
	if u.Inch() {
		return 6
	}
	return 4
}

// size writes a size without its unit.
func size(l analysis.Length, u analysis.Unit) string { return l.Format(large(u), places(u)) }

// both writes a size in the unit of the drawing and in the other one.
func both(l analysis.Length, u analysis.Unit) string {
	o := other(u)
	return fmt.Sprintf("%s %s (%s %s)", size(l, u), large(u), size(l, o), o)
}

// um writes a deviation in µm to two decimals, without its unit.
func um(d analysis.Deviation) string { return minus(analysis.Length(d).Format(analysis.UM, 2)) }

// signed is um with its sign.
func signed(d analysis.Deviation) string {
	s := um(d)
	if d > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// small writes a deviation in µm and millionths of an inch, the drawing's first.
func small(d analysis.Deviation, u analysis.Unit) string {
	metric, inch := um(d)+" µm", minus(analysis.Length(d).Format(analysis.UIN, 0))+" µin"
	if u.Inch() {
		return inch + " (" + metric + ")"
	}
	return metric + " (" + inch + ")"
}

// fineOf writes a deviation in the unit that [fine] names, without it: µm to two
// decimals, or millionths of an inch to one, which are as fine.
func fineOf(d analysis.Deviation, u analysis.Unit) string {
	if u.Inch() {
		return minus(analysis.Length(d).Format(analysis.UIN, 1))
	}
	return um(d)
}

// fine is the unit of deviations beside a drawing's sizes.
func fine(u analysis.Unit) analysis.Unit {
	if u.Inch() {
		return analysis.UIN
	}
	return analysis.UM
}

// from writes a deviation with its sign in the fine unit, without the unit.
func from(d analysis.Deviation, u analysis.Unit) string {
	decimals := 1
	if u.Inch() {
		decimals = 0
	}
	s := minus(analysis.Length(d).Format(fine(u), decimals))
	if d > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

// where writes a place as it is called on the drawing.
func where(p analysis.Place, u analysis.Unit) string { return notation.In(u).Place(p) }

func clock(t time.Time) string { return t.Format("15:04:05") }

func day(t time.Time) string { return t.Format(time.DateOnly) }

// moment writes a time in full, with its zone.
func moment(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return t.Format("2006-01-02 15:04:05 -07:00")
}

// spell writes a span of time as it is said.
func spell(seconds float64) string {
	n := int(seconds + 0.5)
	if n < 120 {
		return fmt.Sprintf("%d s", n)
	}
	return fmt.Sprintf("%d min %02d s", n/60, n%60)
}

// orDash is for a cell that has nothing to say.
func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// clean makes text of a record fit to stand in a line: what would break the line
// or not show becomes a space. A serial number comes from a scanner, a reason from
// a keyboard.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return ' '
		}
		return r
	}, s))
}

// english is a phrase as it stands in the journal, or else in English.
func english(p analysis.Phrase) string {
	if p.Text != "" {
		return p.Text
	}
	return notation.Format{}.Say(p)
}

func englishAll(ps []analysis.Phrase) (lines document.Lines) {
	for _, p := range ps {
		lines = append(lines, english(p))
	}
	return lines
}
