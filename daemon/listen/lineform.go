package listen

import (
	"cmp"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"fairbore/drivers"
)

// form is a driver of lines with options, before it is known whether the gauge must be asked or
// types.
type form struct {
	driver  string
	options drivers.Options
	rank    int
	blind   bool
}

// Ranks: the simplest driver that reads a line is proposed, but a driver with a check comes before
// one without.
const (
	rankChecked = iota
	rankLine
	rankFields
	rankFixed
	rankPattern
)

// numbered returns the texts that contain a digit.
func numbered(texts []string) (out []string) {
	for _, t := range texts {
		if strings.ContainsAny(t, "0123456789") {
			out = append(out, t)
		}
	}
	return out
}

// lineForms proposes options of driver line from the shape of the texts. Most will read nothing;
// trying them decides.
func lineForms(all []string) (forms []form) {
	texts := numbered(all)
	if len(texts) == 0 {
		return nil
	}
	marks := []string{"point"}
	if share(texts, func(t string) bool { return strings.Contains(t, ",") }) > 0.3 {
		marks = append(marks, "comma")
	}
	known := units{}
	for _, lead := range leads(texts) {
		for _, mark := range marks {
			o := maps.Clone(lead)
			o["decimal"] = mark
			forms = append(forms, form{"line", o, rankLine, false})
			forms = append(forms, fieldForms(texts, o, known)...)
		}
	}
	return forms
}

func share(texts []string, is func(string) bool) float64 {
	n := 0
	for _, t := range texts {
		if is(t) {
			n++
		}
	}
	return float64(n) / float64(max(1, len(texts)))
}

// A channel mark stands before a number. If it ends in a digit there is a separator between them.
var (
	letterMark = regexp.MustCompile(`^[ \t]*([A-Za-z]{1,6})[ \t]*[:=]?[ \t]*[+-]?[ \t]*[.]?\d`)
	digitMark  = regexp.MustCompile(`^[ \t]*([A-Za-z]{0,6}\d{1,2})(?:[ \t]*[:=][ \t]*|[ \t]+|[+-])[+-]?[ \t]*[.]?\d`)
	leadText   = regexp.MustCompile(`^[^0-9+-]*[^0-9+\- \t]`)
)

// leads proposes what stands before the numbers: nothing, a constant text, or channel marks.
func leads(texts []string) []drivers.Options {
	out := []drivers.Options{{}}
	prefix, n := commonest(texts, func(t string) string { return leadText.FindString(t) })
	if prefix != "" && n*2 > len(texts) {
		out = append(out, drivers.Options{"prefix": escape(prefix)})
	}
	for _, re := range []*regexp.Regexp{letterMark, digitMark} {
		found := map[string]int{}
		for _, t := range texts {
			if m := re.FindStringSubmatch(t); m != nil {
				found[m[1]]++
			}
		}
		if marks := frequent(found, len(texts)); marks != nil {
			out = append(out, drivers.Options{"channels": strings.Join(marks, ",")})
		}
	}
	return out
}

// frequent returns the keys that make up at least a twentieth of n, if they are few.
func frequent(found map[string]int, n int) (keys []string) {
	for k, c := range found {
		if c*20 >= n && c > 1 || n < 3 {
			keys = append(keys, k)
		}
	}
	if len(keys) > 8 {
		return nil
	}
	slices.Sort(keys)
	return keys
}

// commonest returns the key that most texts have, and its count.
func commonest(texts []string, key func(string) string) (best string, n int) {
	count := map[string]int{}
	for _, t := range texts {
		k := key(t)
		if count[k]++; count[k] > n || (count[k] == n && k < best) {
			best, n = k, count[k]
		}
	}
	return best, n
}

// separators has the separators by the name of the option.
var separators = []struct{ name, text string }{{"semicolon", ";"}, {"tab", "\t"}, {"comma", ","}, {"blank", " "}}

// fieldForms proposes several values on a line, for each separator that occurs.
func fieldForms(texts []string, lead drivers.Options, known units) (forms []form) {
	prefix, _ := unescape(lead["prefix"])
	for _, sep := range separators {
		if sep.name == lead["decimal"] {
			continue
		}
		if lead["channels"] != "" {
			if found := fieldMarks(texts, sep.text); found != nil {
				o := maps.Clone(lead)
				o["separator"], o["channels"] = sep.name, strings.Join(found, ",")
				forms = append(forms, form{"line", o, rankFields, false})
			}
			continue
		}
		shape, n := commonest(texts, func(t string) string {
			return fieldShape(strings.TrimPrefix(t, prefix), sep.text, lead["decimal"], known)
		})
		if n*2 <= len(texts) || len(shape) < 2 || !strings.Contains(shape, "n") {
			continue
		}
		o := maps.Clone(lead)
		o["separator"], o["fields"] = sep.name, fieldNames(shape)
		forms = append(forms, form{"line", o, rankFields, false})
	}
	return forms
}

// fieldNames names the fields by their position; a field without a number is "-".
func fieldNames(shape string) string {
	names := make([]string, len(shape))
	for i, c := range shape {
		if names[i] = "-"; c == 'n' {
			names[i] = fmt.Sprint(i + 1)
		}
	}
	return strings.Join(names, ",")
}

var (
	pointNumber = regexp.MustCompile(`^[+-]? *(\d+\.?\d*|\.\d+) *\S*$`)
	commaNumber = regexp.MustCompile(`^[+-]? *(\d+,?\d*|,\d+) *\S*$`)
)

// fieldShape returns a letter for each field of a text: n for a number, t for other text.
func fieldShape(t, sep, mark string, known units) string {
	number := pointNumber
	if mark == "comma" {
		number = commaNumber
	}
	shape := ""
	for _, f := range split(t, sep, known) {
		if number.MatchString(f) {
			shape += "n"
		} else {
			shape += "t"
		}
	}
	return shape
}

// split splits a text into fields. A unit after a blank belongs to its number.
func split(t, sep string, known units) (fields []string) {
	if sep != " " {
		for _, f := range strings.Split(t, sep) {
			fields = append(fields, strings.TrimSpace(f))
		}
		return fields
	}
	for _, f := range strings.Fields(t) {
		if len(fields) > 0 && known.has(f) {
			fields[len(fields)-1] += " " + f
			continue
		}
		fields = append(fields, f)
	}
	return fields
}

// units remembers which words are units, since asking a driver takes long.
type units map[string]bool

func (u units) has(word string) bool {
	is, asked := u[word]
	if !asked {
		is = isUnit(word)
		u[word] = is
	}
	return is
}

// isUnit reports whether a word is a unit that the drivers know.
func isUnit(word string) bool {
	if len(word) > 6 || strings.ContainsAny(word, "0123456789") {
		return false
	}
	d, ok := Shown{Text: "1 " + word}.read()
	return ok && d.Unit != drivers.NoUnit
}

// fieldMarks returns the channel marks of all fields of lines.
func fieldMarks(texts []string, sep string) []string {
	found := map[string]int{}
	several := 0
	for _, t := range texts {
		fields := strings.Split(t, sep)
		n := 0
		for _, f := range fields {
			for _, re := range []*regexp.Regexp{letterMark, digitMark} {
				if m := re.FindStringSubmatch(f); m != nil {
					found[m[1]]++
					n++
					break
				}
			}
		}
		if n > 1 && n == len(fields) {
			several++
		}
	}
	if several*2 <= len(texts) {
		return nil
	}
	return frequent(found, len(texts))
}

// tighten narrows the options of a line to what all its frames had, so that a damaged line is
// refused rather than read.
func (o *outcome) tighten() drivers.Options {
	options := maps.Clone(o.options)
	places, units, signed, plus, lengths := map[int]bool{}, map[drivers.Unit]bool{}, true, false, map[int]bool{}
	padded := false
	for _, f := range o.frames {
		lengths[len(f.text)] = true
		n := 0
		for _, m := range numberIn.FindAllString(f.text, -1) {
			if m[0] == '+' || m[0] == '-' {
				n++
			}
			plus = plus || m[0] == '+'
			padded = padded || paddedNumber.MatchString(m)
		}
		signed = signed && n == len(f.samples)
		for _, s := range f.samples {
			places[s.Places], units[s.Unit] = true, true
		}
	}
	if len(o.frames) < 5 {
		return options
	}
	if len(places) == 1 {
		options["places"] = fmt.Sprint(o.frames[0].samples[0].Places)
	}
	if signed && plus {
		options["sign"] = "always"
		if padded && len(lengths) == 1 {
			options["length"] = fmt.Sprint(len(o.frames[0].text))
		}
	}
	if len(units) == 1 && !units[drivers.NoUnit] {
		options["unit"] = wordOf(o.frames[0].samples[0].Unit)
	}
	return options
}

var (
	numberIn     = regexp.MustCompile(`[+-]? *\d+(?:[.,]\d+)?`)
	paddedNumber = regexp.MustCompile(`^[+-] +\d|^[+-] *0\d`)
)

// wordOf writes a unit as the configuration does.
func wordOf(u drivers.Unit) string {
	words := map[drivers.Unit]string{drivers.Inch: "in", drivers.MicroInch: "uin", drivers.Celsius: "degC"}
	return cmp.Or(words[u], string(u))
}
