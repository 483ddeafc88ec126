package notation_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// trial is a language of a few texts.
func trial(t *testing.T, texts string) *notation.Language {
	t.Helper()
	l, err := notation.Parse("test", texts, nil)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// One phrase in the units of three drawings: 25.4 mm are an inch, and 2.54 µm a tenth of
// a thou, by definition.
func TestPhraseInUnits(t *testing.T) {
	l := trial(t, "tight(by, at, rate, n, left) = Tight by {by} at {at}; {rate} a stroke,\n  {n|# time|# times}, {left}.\nleft(much) = {much} left\n")
	p := analysis.Say("tight", analysis.Deviation(50_800), analysis.Place{Depth: 127 * analysis.Millimetre / 10, Angle: 90 * analysis.Degree},
		analysis.Fine(2_794), 3, analysis.Say("left", analysis.Deviation(7_620)))
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got analysis.Phrase // as a display that is fed by messages has it
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for u, want := range map[analysis.Unit]string{
		analysis.MM:  "Tight by 5.1 µm at 12.7 mm / 90°; 0.28 µm a stroke, 3 times, 0.8 µm left.",
		analysis.IN:  "Tight by 2.0 tenths at 0.50 in / 90°; 0.11 tenths a stroke, 3 times, 0.3 tenths left.",
		analysis.UIN: "Tight by 200 millionths at 0.50 in / 90°; 11 millionths a stroke, 3 times, 30 millionths left.",
	} {
		f := notation.In(u)
		f.Language = l
		if s := f.Say(got); s != want {
			t.Errorf("in %s: %q, want %q", u, s, want)
		}
	}
}

// What is over or to go by less than the last digit shown is not said to be nothing;
// nothing itself is. Where no error comes to a tenth, millionths are spoken.
func TestPhraseOfLittle(t *testing.T) {
	l := trial(t, "over(by) = Over by {by}.")
	for _, c := range []struct {
		um   analysis.Deviation // in 0.1 nm
		unit analysis.Unit
		want string
	}{
		{400, analysis.MM, "Over by 0.04 µm."}, {-400, analysis.MM, "Over by −0.04 µm."}, {1, analysis.MM, "Over by 0.0001 µm."},
		{600, analysis.MM, "Over by 0.1 µm."}, {0, analysis.MM, "Over by 0.0 µm."},
		{100, analysis.UIN, "Over by 0.4 millionths."}, {1, analysis.UIN, "Over by 0.004 millionths."},
		{100, analysis.IN, "Over by 0.4 millionths."}, {25_400, analysis.IN, "Over by 1.0 tenths."},
	} {
		f := notation.In(c.unit)
		f.Language = l
		if got := f.Text("over", c.um); got != c.want {
			t.Errorf("%d in %s: %q, want %q", c.um, c.unit, got, c.want)
		}
	}
}

func TestValuesAreWrittenByTheirKind(t *testing.T) {
	l := trial(t, "x(v) = {v}")
	for want, v := range map[string]any{
		"12.75 mm": analysis.Length(127_500_000), "31.7513 mm": analysis.Size(317_513_000), "45°": 45 * analysis.Degree,
		"21.5 °C": 21500 * analysis.Celsius / 1000, "−0.3 K": analysis.Kelvin(-300), "40 ms": 40 * time.Millisecond, "90 s": 90 * time.Second,
		"3 min": 121 * time.Second, "4 h": 3*time.Hour + time.Minute, "3 d": 60 * time.Hour, "2026-11-29 08:05": time.Date(2026, 11, 29, 8, 5, 0, 0, time.UTC),
		"12.5": analysis.Number{Value: 12.46, Places: 1}, "2026-11-29": analysis.Day(time.Date(2026, 11, 29, 8, 5, 0, 0, time.UTC)), "08:05": analysis.Clock(time.Date(2026, 11, 29, 8, 5, 0, 0, time.UTC)),
		"+0.30 µm": analysis.Offset(3_000), "−0.25 µm": analysis.Offset(-2_500), "0.00 µm": analysis.Offset(0), "1.25 µm": analysis.Fine(12_500), "R-1250": "R-1250", "broken": errors.New("broken"),
	} {
		if got := (notation.Format{Language: l}).Text("x", v); got != want {
			t.Errorf("%T %v: %q, want %q", v, v, got, want)
		}
	}
	if got := (notation.Format{Sign: notation.Comma, Language: l}).Text("x", analysis.Deviation(12_500)); got != "1,3 µm" {
		t.Errorf("with a comma: %q", got)
	}
}

// In a record lengths stand in both systems, the drawing's first (25.4 mm are an inch), and
// moments to the second with their zone; what is due on a day has no time.
func TestPhraseInARecord(t *testing.T) {
	l := trial(t, "x(v) = {v}")
	at := time.Date(2026, 11, 29, 8, 5, 9, 0, time.FixedZone("", 3600))
	for _, c := range []struct {
		value        any
		metric, inch string
	}{
		{analysis.Size(254_000_000), "25.4000 mm (1.000000 in)", "1.000000 in (25.4000 mm)"},
		{analysis.Deviation(-25_400), "−2.54 µm (−100.0 µin)", "−100.0 µin (−2.54 µm)"},
		{analysis.Fine(2_540), "0.25 µm", "10.0 µin"}, {analysis.Deviation(0), "0.00 µm", "0.0 µin"}, {analysis.Offset(0), "0.00 µm", "0.0 µin"},
		{analysis.Length(127_000_000), "12.7 mm", "0.50 in"},
		{at, "2026-11-29 08:05:09 +01:00", "2026-11-29 08:05:09 +01:00"},
		{analysis.Day(at), "2026-11-29", "2026-11-29"},
	} {
		for inch, want := range map[bool]string{false: c.metric, true: c.inch} {
			if got := (notation.Format{Inch: inch, Full: true, Language: l}).Text("x", c.value); got != want {
				t.Errorf("%T %v: %q, want %q", c.value, c.value, got, want)
			}
		}
	}
}

// A phrase from elsewhere may be of another build: nothing that it lacks is made up.
func TestStrangePhrasesShow(t *testing.T) {
	f := notation.Format{Language: trial(t, "two(a, b) = {a} and {b|one|many}")}
	for want, p := range map[string]analysis.Phrase{
		"⟦nobody.knows R-1⟧": analysis.Say("nobody.knows", "R-1"),
		"a and …":            analysis.Say("two", "a"),
		"as he wrote it":     analysis.Quote("as he wrote it"),
		"":                   {},
		"? and many":         {Code: "two", Args: []analysis.Arg{{Is: analysis.IsDeviation}, {Is: "new"}}},
	} {
		if got := f.Say(p); got != want {
			t.Errorf("%+v: %q, want %q", p, got, want)
		}
	}
}

func TestFillWritesOnlyWhatHasNoText(t *testing.T) {
	type inner struct{ Why analysis.Phrase }
	v := struct {
		Name string
		Said *analysis.Phrase
		All  []analysis.Phrase
		In   *inner
		At   time.Time
	}{Said: &analysis.Phrase{Code: "a.code"}, All: []analysis.Phrase{{Code: "b"}, {Code: "c", Text: "there"}, {}}, In: &inner{analysis.Say("d", 3)}}
	notation.Format{Language: trial(t, "a.code = A\nb = B\nd(n) = {n|# thing|# things}")}.Fill(&v)
	if got := fmt.Sprint(v.Said.Text, v.All[0].Text, v.All[1].Text, v.All[2].Text, v.In.Why.Text); got != "ABthere3 things" {
		t.Error(got)
	}
}

func TestCatalogueFaultsAreNamed(t *testing.T) {
	for want, texts := range map[string]string{
		"test.txt:2: want code = text":  "a = b\nno text",
		"test.txt:2: a is there twice":  "a = b\na = c",
		"{m} is none of its values: n":  "a(n) = {m}",
		"a { without its }":             "a(n) = {n",
		"{n|one}: want {name|one|many}": "a(n) = {n|one}",
	} {
		if _, err := notation.Parse("test", texts, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", texts, err, want)
		}
	}
	if _, err := notation.Parse("de", "b = x", trial(t, "a = y")); err == nil || !strings.Contains(err.Error(), "English has no b") {
		t.Errorf("a code that English has not: %v", err)
	}
	if l, err := notation.Parse("de", "a = {n} Stück", trial(t, "a(n) = {n} pieces")); err != nil || (notation.Format{Language: l}).Text("a", 2) != "2 Stück" {
		t.Errorf("names of values come from English: %v", err)
	}
}

// A script gets the texts that it says, with the places of their values by number.
func TestTextsForAScript(t *testing.T) {
	const texts = "page.a(one, two) = {two} of {one|# piece|# pieces}, {two}\npage.b = B\nother.c = C\npages.d = D"
	got := trial(t, texts).Texts("page.", "pages.d")
	if want := map[string]string{"page.a": "{1} of {0|# piece|# pieces}, {1}", "page.b": "B", "pages.d": "D"}; !maps.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	for code, text := range notation.Codes().Texts("") {
		if !strings.HasPrefix(text, "⟦"+code) || strings.Count(text, "{") != notation.English().Values(code) {
			t.Errorf("the code of %s is %q", code, text)
		}
	}
}

// Every code that the program says has an English text with as many values, and every
// text is said somewhere. A code that is put together ("state." + x) uses all with that
// beginning.
func TestEveryCodeHasATextAndEveryTextIsUsed(t *testing.T) {
	en := notation.English()
	used, begun := map[string]bool{}, []string{}
	code := regexp.MustCompile(`^[a-z_]+(\.[a-z_0-9 ,-]+)+$`)
	see := func(where, c string) {
		used[c] = true
		if !en.Has(c) {
			t.Errorf("%s: %q has no text in en.txt", where, c)
		}
	}
	inPage := regexp.MustCompile(`(?:\bt|\bsay)[ (]+(?:print )?["']([a-z_]+\.[a-z_0-9. ,-]+)["'](\s*\+)?`)
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		switch ext := filepath.Ext(path); {
		case d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && path != root):
			return filepath.SkipDir
		case ext == ".html" || ext == ".js":
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			for _, m := range inPage.FindAllStringSubmatch(string(b), -1) {
				if m[2] != "" || strings.HasSuffix(m[1], ".") {
					begun = append(begun, m[1])
				} else {
					see(path, m[1])
				}
			}
		case ext == ".go" && !strings.HasSuffix(path, "_test.go"):
			fset := token.NewFileSet()
			f, err := parser.ParseFile(fset, path, nil, 0)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.BinaryExpr: // "state." + x
					if l, ok := n.X.(*ast.BasicLit); ok && n.Op == token.ADD && l.Kind == token.STRING {
						if s, _ := strconv.Unquote(l.Value); strings.HasSuffix(s, ".") && code.MatchString(s+"x") {
							begun = append(begun, s)
						}
					}
				case *ast.BasicLit:
					if n.Kind == token.STRING {
						if s, _ := strconv.Unquote(n.Value); code.MatchString(s) && en.Has(s) {
							used[s] = true
						}
					}
				case *ast.CallExpr:
					if name := called(n); name != "Say" && name != "Text" || len(n.Args) == 0 {
						return true
					}
					if l, ok := n.Args[0].(*ast.BasicLit); ok && l.Kind == token.STRING {
						if s, _ := strconv.Unquote(l.Value); code.MatchString(s) {
							see(fset.Position(n.Pos()).String(), s)
							if want := en.Values(s); en.Has(s) && n.Ellipsis == token.NoPos && len(n.Args)-1 != want {
								t.Errorf("%s: %s has %d values, its text wants %d", fset.Position(n.Pos()), s, len(n.Args)-1, want)
							}
						}
					}
				}
				return true
			})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range en.All() {
		ok := used[c]
		for _, b := range begun {
			ok = ok || strings.HasPrefix(c, b)
		}
		if !ok {
			t.Errorf("nobody says %q", c)
		}
	}
}

func called(c *ast.CallExpr) string {
	switch f := c.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// A size in inches has its last digits set apart for a person at the machine, not in the
// text beside a code that another program shows.
func TestFilledSizesAreWhole(t *testing.T) {
	f := notation.In(analysis.IN)
	f.Language = trial(t, "x(v) = {v}")
	p := analysis.Say("x", analysis.Size(222_276_330))
	if got := f.Say(p); got != "0.8751|04 in" {
		t.Errorf("on a page: %q", got)
	}
	if f.Fill(&p); p.Text != "0.875104 in" {
		t.Errorf("in a message: %q", p.Text)
	}
}

// A phrase in an error is said in place, however deep it is; all else is as it was.
func TestErrorsAreSaidInPlace(t *testing.T) {
	f := notation.Format{Language: trial(t, "over(by) = over by {by}\nfit(why) = fit: {why}")}
	over := analysis.Say("over", analysis.Deviation(25_000))
	for want, err := range map[string]error{
		"over by 2.5 µm":                              over,
		"fit: over by 2.5 µm":                         analysis.Say("fit", over),
		"port a: over by 2.5 µm":                      fmt.Errorf("port a: %w", over),
		"over by 2.5 µm\nport a: over by 2.5 µm\neof": errors.Join(over, fmt.Errorf("port a: %w", over), errors.New("eof")),
		"plain": errors.New("plain"),
	} {
		if got := f.Error(err); got != want {
			t.Errorf("%v: %q, want %q", err, got, want)
		}
	}
}

// One term stands for one thing, and no text sounds translated.
func TestTextsKeepToTheWords(t *testing.T) {
	banned := regexp.MustCompile(`(?i)\bwant(s|ed)? (a|an|one|to)\b|: want |struck out|strike out|\bMind:|knocked|\bstay there\b|is it meant|for want of|  |(^| )gauge (it|again|at|the bore)\b`)
	for code, text := range notation.English().Texts("") {
		if at := banned.FindString(text); at != "" {
			t.Errorf("%s: %q stands in %q", code, at, text)
		}
	}
}

// Numbers, dates and units are those of the language. A reader who chose a decimal sign keeps it.
func TestWrittenAsTheLanguageDoes(t *testing.T) {
	at := time.Date(2026, 11, 9, 8, 5, 9, 0, time.FixedZone("", 3600))
	for tag, want := range map[string][4]string{
		"en": {"31.7513 mm", "2026-11-09 08:05", "2026-11-09 08:05:09 +01:00", "2026-11-09"},
		"de": {"31,7513 mm", "09.11.2026, 08:05", "09.11.2026, 08:05:09 +01:00", "09.11.2026"},
		"es": {"31,7513 mm", "09/11/2026, 08:05", "09/11/2026, 08:05:09 +01:00", "09/11/2026"},
	} {
		f := notation.Format{Language: notation.Spoken(tag)}
		full := f
		full.Full = true
		if got := [4]string{f.Size(317_513_000), f.Moment(at), full.Moment(at), f.Day(at)}; got != want {
			t.Errorf("%s: %q, want %q", tag, got, want)
		}
	}
	if got := (notation.Format{Language: notation.Spoken("de"), Sign: notation.Point}).Digits(317_513_000); got != "31.7513" {
		t.Errorf("a point in German: %q", got)
	}
}

// A count has its digits set apart by threes from five digits on (ISO 80000-1:2022, 7.3.2); the
// number of a row, which a person may type, has not.
func TestCountsAreGrouped(t *testing.T) {
	f := notation.Format{Language: trial(t, "x(n) = row {n}: {n|# event|# events}")}
	for n, want := range map[int]string{1: "row 1: 1 event", 9999: "row 9999: 9999 events", 10_000: "row 10000: 10\u202f000 events", 1_234_567: "row 1234567: 1\u202f234\u202f567 events"} {
		if got := f.Text("x", n); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// A length is read as the reader types it, with either sign. What may as well be thousands is
// refused, with both ways to write it.
func TestLengthsAreReadAsTyped(t *testing.T) {
	comma, point := notation.Format{Language: notation.Spoken("de")}, notation.Format{}
	const size = 317_250_000
	for _, c := range []struct {
		f    notation.Format
		text string
		want analysis.Length
		says string
	}{
		{comma, "31,7250 mm", size, ""}, {comma, "31.7250 mm", size, ""}, {comma, "31,725 mm", size, ""}, {comma, "31.72500mm", size, ""}, {comma, "0.500 um", 5_000, ""}, {comma, "7/8 in", 222_250_000, ""},
		{comma, "31.725 mm", 0, "31.725|31,725|31725"}, {comma, "−1.250um", 0, "−1.250|−1,250|−1250"}, {comma, "1.234,5 mm", 0, "not a decimal number"}, {comma, "1234,5 mm", 12_345_000_000, ""},
		{point, "31.725 mm", size, ""}, {point, "31,7250 mm", size, ""}, {point, "31,725 mm", 0, "31,725|31.725|31725"}, {point, "+1,250", 0, "+1,250|+1.250|+1250"}, {point, "1,5 mm", 15_000_000, ""},
		{notation.Format{Sign: notation.Comma}, "31,725 mm", size, ""}, {notation.Format{Sign: notation.Comma}, "31.725 mm", 0, "31,725"},
	} {
		got, err := c.f.Length(c.text)
		if got != c.want || (err == nil) != (c.says == "") {
			t.Errorf("%q: %s %v", c.text, got, err)
		}
		for _, part := range strings.Split(c.says, "|") {
			if err != nil && !strings.Contains(c.f.Error(err), part) {
				t.Errorf("%q is refused with %q, want %q in it", c.text, c.f.Error(err), part)
			}
		}
	}
}

// A number in a text has the decimal sign of the language. A point between digits is also that of
// a standard, a material, a position or a key.
func TestTextsHaveTheDecimalSign(t *testing.T) {
	number := regexp.MustCompile(`[0-9]([.,])[0-9]`)
	named := regexp.MustCompile(`ANSI B4\.1|1\.4301|1\.4125|simple, 1\.645u| 1\.1 `)
	for _, l := range notation.Languages() {
		sign := (notation.Format{Language: l}).Decimal(0.5, 1)[1:2]
		for code, text := range l.Texts("") {
			for _, m := range number.FindAllStringSubmatch(named.ReplaceAllString(text, ""), -1) {
				if m[1] != sign {
					t.Errorf("%s: %s has %q: %s", l.Tag, code, m[0], text)
				}
			}
		}
	}
}

// Every language has a text of its own for each code, with the same values in it. What is the same
// in English is listed: symbols, forms with nothing but values, and words that both languages have.
func TestEveryLanguageSaysEverything(t *testing.T) {
	files, err := filepath.Glob("*.txt")
	if err != nil || len(files) != len(notation.Languages()) {
		t.Fatalf("%q, want one for each of %d languages: %v", files, len(notation.Languages()), err)
	}
	en := notation.English()
	value := regexp.MustCompile(`\{[0-9]+`)
	letters := regexp.MustCompile(`\pL{2,}`)
	same := map[string]string{
		"de": `face.big.read_ring guide.step.ring page.button.ok page.choice.mm page.choice.unit_mm page.label.as page.label.person page.label.ring
			page.label.ring_temperature page.label.station picture.hours register.change.rings register.field.id register.person register.pin record.drawn_in record.form record.minutes script.minus study.value`,
		"es": `action.word.id budget.distribution.normal budget.distribution.rectangular budget.distribution.triangular page.button.ok page.button.plan
			page.choice.mm page.choice.unit_mm page.label.material page.label.plan_nominal page.region.plan picture.hours picture.shares.agreement
			plan.field.nominal register.field.material register.pin record.error record.minutes record.source.broker record.source.demo record.source.pedal record.study.by_agreement
			study.of.total study.source.total study.source_of.total study.value`,
	}
	texts := en.Texts("")
	for _, l := range notation.Languages() {
		file, err := os.ReadFile(l.Tag + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		own, err := notation.Parse(l.Tag, string(file), en)
		if err != nil {
			t.Fatal(err)
		}
		for code, text := range texts {
			if !own.Has(code) {
				t.Errorf("%s.txt lacks %s = %s", l.Tag, code, text)
				continue
			}
			said := own.Texts(code)[code]
			if want, got := values(value, text), values(value, said); !slices.Equal(want, got) {
				t.Errorf("%s: %s has the values %q, want %q: %s", l.Tag, code, got, want, said)
			}
			if l != en && said == text && letters.MatchString(regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(text, "")) && !slices.Contains(strings.Fields(same[l.Tag]), code) {
				t.Errorf("%s: %s is as in English: %s", l.Tag, code, said)
			}
		}
	}
}

// values returns which values a text has, sorted.
func values(value *regexp.Regexp, text string) []string {
	all := value.FindAllString(text, -1)
	slices.Sort(all)
	return slices.Compact(all)
}
