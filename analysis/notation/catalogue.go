package notation

import (
	_ "embed" // the catalogues
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
)

// Language is a catalogue. It holds the texts of one language by their codes.
type Language struct {
	Tag   string // BCP 47: "en"
	Name  string // in the language itself
	texts map[string]text
	// locale says how numbers and dates are written in the language.
	locale locale
	codes  bool // phrases are written as codes, not as texts
}

// text is the text of one code, in pieces.
type text struct {
	names  []string // the names of its values, in the order of the arguments of [analysis.Say]
	pieces []piece
}

// piece is a stretch of text and the value after it. If the value is a count that is
// written in words, one and many are the texts for it. In them # stands for the number.
type piece struct {
	before    string
	arg       int // the index of the value; -1 if there is none
	one, many string
}

//go:embed en.txt
var enText string

//go:embed de.txt
var deText string

//go:embed es.txt
var esText string

// languages returns the catalogues. It parses them once, at the first use. Where a catalogue
// lacks a text it has the English one.
var languages = sync.OnceValue(func() []*Language {
	var all []*Language
	for _, c := range []struct{ tag, name, file string }{{"en", "English", enText}, {"de", "Deutsch", deText}, {"es", "Español", esText}} {
		var like *Language
		if len(all) > 0 {
			like = all[0]
		}
		l, err := Parse(c.tag, c.file, like)
		if err != nil {
			panic(err) // it cannot happen: a test reads the files too
		}
		l.Name = c.name
		if like != nil {
			for code, t := range like.texts {
				if !l.Has(code) {
					l.texts[code] = t
				}
			}
		}
		all = append(all, l)
	}
	return all
})

// Languages returns the languages that the program speaks, English first.
func Languages() []*Language { return languages() }

// Tags returns the tags of the languages that the program speaks.
func Tags() []string {
	var tags []string
	for _, l := range languages() {
		tags = append(tags, l.Tag)
	}
	return tags
}

// English returns the English catalogue.
func English() *Language { return languages()[0] }

// Spoken returns the language of a tag, nil if the program does not speak it.
func Spoken(tag string) *Language {
	for _, l := range languages() {
		if l.Tag == tag {
			return l
		}
	}
	return nil
}

// Codes returns a language that writes each phrase as its code and values in brackets ⟦⟧.
// It is for finding text that does not come from a catalogue: such text has no brackets.
func Codes() *Language {
	return &Language{Tag: "en-x-codes", Name: "⟦⟧", texts: English().texts, locale: localeOf("en"), codes: true}
}

// Has reports whether the language has a text for a code.
func (l *Language) Has(code string) bool { _, ok := l.texts[code]; return ok }

// Values returns the number of values that the text of a code names.
func (l *Language) Values(code string) int { return len(l.texts[code].names) }

// All returns all codes, sorted.
func (l *Language) All() []string { return slices.Sorted(maps.Keys(l.texts)) }

// Texts returns the texts of all codes that start with one of the beginnings. It is for a
// program that inserts the values itself. In the texts {0} stands for the first value, and
// {0|one|many} for a count.
func (l *Language) Texts(beginnings ...string) map[string]string {
	out := map[string]string{}
	for code, t := range l.texts {
		if !slices.ContainsFunc(beginnings, func(b string) bool { return strings.HasPrefix(code, b) }) {
			continue
		}
		var b strings.Builder
		if l.codes {
			b.WriteString("⟦" + code)
			for i := range t.names {
				fmt.Fprintf(&b, " {%d}", i)
			}
			out[code] = b.String() + "⟧"
			continue
		}
		for _, p := range t.pieces {
			b.WriteString(p.before)
			switch {
			case p.many != "":
				fmt.Fprintf(&b, "{%d|%s|%s}", p.arg, p.one, p.many)
			case p.arg >= 0:
				fmt.Fprintf(&b, "{%d}", p.arg)
			}
		}
		out[code] = b.String()
	}
	return out
}

// Parse reads a catalogue. Each text has one line:
//
//	code(name, name) = text with {name} and {name|# place|# places}
//
// An indented line continues the text of the line before it. A line that starts with # is a
// comment. In {name|one|many}, one is the text for a count of 1 and many is the text for
// any other count. In both # stands for the number. A catalogue of another language takes
// the names of the values from the English catalogue, which the caller passes as like. It
// must not have a code that like does not have.
func Parse(tag, file string, like *Language) (*Language, error) {
	l := &Language{Tag: tag, texts: map[string]text{}, locale: localeOf(tag)}
	var lines []string
	numbers := []int{}
	for i, line := range strings.Split(file, "\n") {
		switch trimmed := strings.TrimSpace(line); {
		case trimmed == "" || strings.HasPrefix(line, "#"):
		case line != strings.TrimLeft(line, " \t") && len(lines) > 0:
			lines[len(lines)-1] += " " + trimmed
		default:
			lines, numbers = append(lines, trimmed), append(numbers, i+1)
		}
	}
	for i, line := range lines {
		head, body, ok := strings.Cut(line, " = ")
		if !ok {
			return nil, fmt.Errorf("%s.txt:%d: want code = text", tag, numbers[i])
		}
		code, args, _ := strings.Cut(strings.TrimSuffix(head, ")"), "(")
		var t text
		if args != "" {
			for name := range strings.SplitSeq(args, ",") {
				t.names = append(t.names, strings.TrimSpace(name))
			}
		}
		if like != nil {
			if !like.Has(code) {
				return nil, fmt.Errorf("%s.txt:%d: English has no %s", tag, numbers[i], code)
			}
			t.names = like.texts[code].names
		}
		if l.Has(code) {
			return nil, fmt.Errorf("%s.txt:%d: %s is there twice", tag, numbers[i], code)
		}
		var err error
		if t.pieces, err = pieces(body, t.names); err != nil {
			return nil, fmt.Errorf("%s.txt:%d: %s: %w", tag, numbers[i], code, err)
		}
		l.texts[code] = t
	}
	return l, nil
}

func pieces(body string, names []string) (out []piece, err error) {
	for {
		before, rest, found := strings.Cut(body, "{")
		if !found {
			return append(out, piece{before: before, arg: -1}), nil
		}
		inside, after, closed := strings.Cut(rest, "}")
		if !closed {
			return nil, fmt.Errorf("a { without its }")
		}
		p := piece{before: before}
		name, forms, counted := strings.Cut(inside, "|")
		if p.arg = slices.Index(names, name); p.arg < 0 {
			return nil, fmt.Errorf("{%s} is none of its values: %s", name, strings.Join(names, ", "))
		}
		if counted {
			if p.one, p.many, counted = strings.Cut(forms, "|"); !counted || p.one == "" || p.many == "" {
				return nil, fmt.Errorf("{%s}: want {name|one|many}", inside)
			}
		}
		out, body = append(out, p), after
	}
}
