package listen

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"fairbore/drivers"
)

// fixedForms proposes layouts of driver fixed from frames of one length, column by column. A column
// that never changed must have the same character in every frame, so that a frame in which it
// differs is refused rather than misread.
func fixedForms(texts []string, end string) (forms []form) {
	texts = numbered(texts)
	length, n := commonestLength(texts)
	if n < 3 || n*10 < len(texts)*6 || length < 2 || length > 80 {
		return nil
	}
	var frames []string
	for _, t := range texts {
		if len(t) == length {
			frames = append(frames, t)
		}
	}
	check := findCheck(frames)
	kinds := columns(frames, check.at)
	for _, run := range runs(kinds, frames) {
		rank, of := rankChecked, kinds
		if check.options == nil || check.from > run.from { // the driver needs all of the number checked
			rank, of = rankFixed, []byte(strings.ReplaceAll(string(kinds), "h", "?"))
		}
		for _, layout := range layouts(frames, of, run) {
			o := drivers.Options{"layout": layout.picture, "end": end}
			if rank == rankChecked {
				maps.Copy(o, check.options)
			}
			forms = append(forms, form{"fixed", o, rank, layout.blind})
		}
	}
	return forms
}

func commonestLength(texts []string) (length, n int) {
	count := map[int]int{}
	for _, t := range texts {
		if count[len(t)]++; count[len(t)] > n {
			length, n = len(t), count[len(t)]
		}
	}
	return length, n
}

// checkFound says where two check digits are and what they check. at is -1 if there are none.
type checkFound struct {
	at      int
	from    int
	options drivers.Options
}

// findCheck looks for two hex digits that are the xor or the sum of what precedes them, in nearly
// all frames.
func findCheck(frames []string) checkFound {
	length := len(frames[0])
	for at := length - 2; at >= max(4, length-4); at-- {
		for from := 0; from < 4; from++ {
			for _, kind := range []string{"xor", "sum"} {
				if checks(frames, at, from, kind) {
					return checkFound{at, from, drivers.Options{"check": kind, "check-from": fmt.Sprint(from)}}
				}
			}
		}
	}
	return checkFound{at: -1}
}

func checks(frames []string, at, from int, kind string) bool {
	good := 0
	for _, f := range frames {
		want, err := strconv.ParseUint(f[at:at+2], 16, 8)
		var sum byte
		for i := from; i < at; i++ {
			if kind == "xor" {
				sum ^= f[i]
			} else {
				sum += f[i]
			}
		}
		if err == nil && byte(want) == sum {
			good++
		}
	}
	return good >= 3 && good*10 >= len(frames)*8
}

// columns returns the kind of each column: d for digits with blanks or a sign before them, s for a
// sign, = for one that is always the same, ? for anything. It allows for a tenth of the frames
// being damaged.
func columns(frames []string, checkAt int) []byte {
	kinds := make([]byte, len(frames[0]))
	for i := range kinds {
		count := map[byte]int{}
		for _, f := range frames {
			count[f[i]]++
		}
		kinds[i] = columnKind(count, len(frames))
		if checkAt >= 0 && (i == checkAt || i == checkAt+1) {
			kinds[i] = 'h'
		}
	}
	return kinds
}

func columnKind(count map[byte]int, n int) byte {
	digits, signs, blanks, most := 0, count['+']+count['-'], count[' '], 0
	for c, k := range count {
		if c >= '0' && c <= '9' {
			digits += k
		}
		most = max(most, k)
	}
	enough := func(k int) bool { return k*100 >= n*90 }
	switch {
	case enough(signs+blanks) && signs > 0 && digits*50 < n:
		return 's'
	case enough(digits+signs+blanks) && digits*20 >= n:
		return 'd'
	case enough(most):
		return '='
	}
	return '?'
}

// run is a range of columns that may be the number.
type run struct{ from, to, point int } // point is -1 without a decimal point

// runs returns the ranges of sign, digits and point. Ranges that never change are left out if
// others do.
func runs(kinds []byte, frames []string) []run {
	var all, moving []run
	for i := 0; i < len(kinds); {
		r, digits := runAt(kinds, frames, i)
		if digits > 0 {
			all = append(all, r)
			if slices.ContainsFunc(indexes(r), func(c int) bool { return kinds[c] == 'd' && !constant(frames, c) }) {
				moving = append(moving, r)
			}
		}
		i = max(r.to, i+1)
	}
	if moving != nil {
		return moving
	}
	return all
}

func indexes(r run) (out []int) {
	for i := r.from; i < r.to; i++ {
		out = append(out, i)
	}
	return out
}

// runAt returns the range that begins at a column, and how many digits it has.
func runAt(kinds []byte, frames []string, from int) (r run, digits int) {
	r = run{from: from, to: from, point: -1}
	for ; r.to < len(kinds); r.to++ {
		c := literal(frames, r.to)
		isPoint := kinds[r.to] == '=' && (c == '.' || c == ',') && r.point < 0 && digits > 0 && r.to+1 < len(kinds) && kinds[r.to+1] == 'd'
		switch {
		case kinds[r.to] == 'd':
			digits++
		case isPoint:
			r.point = r.to
		case r.to == from && (kinds[r.to] == 's' || (kinds[r.to] == '=' && (c == ' ' || c == '+' || c == '-'))):
		default:
			return r, digits
		}
	}
	return r, digits
}

// literal returns what most frames have in a column.
func literal(frames []string, i int) byte {
	count, best := map[byte]int{}, byte(0)
	for _, f := range frames {
		if count[f[i]]++; count[f[i]] > count[best] || (count[f[i]] == count[best] && f[i] < best) {
			best = f[i]
		}
	}
	return best
}

type layout struct {
	picture string
	blind   bool
}

// layouts returns pictures of the frames for a number in one range. If the point is not sent it may
// be anywhere, and a digit at either end that never changed may be a code beside the number. Each
// possibility is a layout of its own; the display decides.
func layouts(frames []string, kinds []byte, r run) (out []layout) {
	for lead := 0; lead < min(3, r.to-r.from) && (lead == 0 || constant(frames, r.from+lead-1)); lead++ {
		for trail := 0; trail < min(3, r.to-r.from-lead) && (trail == 0 || constant(frames, r.to-trail)); trail++ {
			n := run{r.from + lead, r.to - trail, r.point}
			digits := n.to - n.from
			if kinds[n.from] != 'd' {
				digits--
			}
			switch {
			case digits < 1:
			case r.point < 0:
				for places := 0; places < min(digits, 7); places++ {
					out = append(out, layout{picture(frames, kinds, n, places), true})
				}
			case n.from < r.point && n.to > r.point+1:
				out = append(out, layout{picture(frames, kinds, n, 0), lead+trail > 0})
			}
		}
	}
	return out
}

// constant reports whether nearly all frames have the same digit in a column.
func constant(frames []string, i int) bool {
	c := literal(frames, i)
	n := 0
	for _, f := range frames {
		if f[i] == c {
			n++
		}
	}
	return c >= '0' && c <= '9' && n*100 >= len(frames)*95
}

// picture draws the layout. places is the number of digits behind a point that is not sent.
func picture(frames []string, kinds []byte, n run, places int) string {
	var b strings.Builder
	unitFrom, unitTo := unitColumns(frames, n.to)
	for i := range kinds {
		if i == n.to-places && places > 0 && n.point < 0 {
			b.WriteByte('v')
		}
		switch c := literal(frames, i); {
		case i >= n.from && i < n.to && i == n.point:
			b.WriteByte(c)
		case i == n.from && (kinds[i] == 's' || kinds[i] == '='):
			b.WriteByte('s')
		case i >= n.from && i < n.to:
			b.WriteByte('d')
		case kinds[i] == 'h':
			b.WriteByte('h')
		case i >= unitFrom && i < unitTo:
			b.WriteByte('u')
		case kinds[i] != '?' && constantAny(frames, i):
			b.WriteString(asItself(c))
		default:
			b.WriteByte('*')
		}
	}
	return b.String()
}

func constantAny(frames []string, i int) bool {
	c, n := literal(frames, i), 0
	for _, f := range frames {
		if f[i] == c {
			n++
		}
	}
	return n*10 >= len(frames)*9
}

// unitColumns finds a unit written behind the number, at most two blanks or separators away.
func unitColumns(frames []string, after int) (from, to int) {
	var text []byte
	for i := after; i < len(frames[0]); i++ {
		text = append(text, literal(frames, i))
	}
	for from := 0; from <= 2 && from < len(text); from++ {
		for size := 4; size >= 1; size-- {
			if from+size > len(text) || text[from] == ' ' || text[from+size-1] == ' ' {
				continue
			}
			if strings.Trim(string(text[:from]), " ;:,/|\t") == "" && isUnit(string(text[from:from+size])) {
				return after + from, after + from + size
			}
		}
	}
	return 0, 0
}

// asItself writes a byte so that it stands for itself in a layout.
func asItself(c byte) string {
	switch {
	case c == ' ':
		return "_"
	case strings.IndexByte("sdutchvxrn", c) >= 0 || c < ' ' || c > '~':
		return fmt.Sprintf(`\x%02x`, c)
	case strings.IndexByte(`_*.,\`, c) >= 0:
		return `\` + string(c)
	}
	return string(c)
}
