package web

import (
	"encoding/json"
	"fmt"
	"html"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/web/shoptest"
	"fairbore/daemon/web/view"
)

// In the language of codes each text of the catalogue stands in brackets ⟦⟧: letters
// outside of them have not come from it.
var (
	fromCatalogue = regexp.MustCompile(`⟦[^⟦⟧]*⟧`)
	twoLetters    = regexp.MustCompile(`\pL{2,}`)
	shownInPage   = regexp.MustCompile(`(?s)<(?:script|style)[^>]*>.*?</(?:script|style)>|<[^>]*>`)
	shownInTag    = regexp.MustCompile(`(?:aria-label|placeholder|title|alt)="([^"]*)"`)
)

// These may stand on a page in any language: units, which are the same for all, and
// names that a person or the configuration gives.
const (
	units = "mm µm um in uin µin tenths millionths min kB MB"
	names = "bay hone-bay bronze iron grey tool steel groove quality English Deutsch Español"
)

// untranslated returns the words of a text that are in no catalogue, and neither units nor
// names nor said: written by persons.
func untranslated(text string, said []string) (words []string) {
	text = strings.NewReplacer("\u2060", "", "\u00a0", " ").Replace(text)
	for fromCatalogue.MatchString(text) {
		text = fromCatalogue.ReplaceAllString(text, " ")
	}
	longer := func(a, b string) int { return len(b) - len(a) } // one may stand in another
	for _, s := range slices.SortedFunc(slices.Values(said), longer) {
		text = strings.ReplaceAll(strings.ReplaceAll(text, s, " "), view.Sentence(s), " ")
	}
	for _, w := range twoLetters.FindAllString(text, -1) {
		if !slices.Contains(strings.FieldsFunc(units+" "+names, func(r rune) bool { return r == ' ' || r == '-' }), w) {
			words = append(words, w)
		}
	}
	return words
}

// shownOf is all that a person is shown or told of a page.
func shownOf(page string) string {
	var b strings.Builder
	for _, m := range shownInTag.FindAllStringSubmatch(page, -1) {
		b.WriteString(m[1] + "\n")
	}
	b.WriteString(shownInPage.ReplaceAllString(page, "\n"))
	return html.UnescapeString(b.String())
}

// saidIn returns the names and what persons wrote that stand in values. An enumeration is
// a word without a space or digit: it is not one of them.
func saidIn(values ...any) (out []string) {
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer, reflect.Interface:
			if !v.IsNil() {
				walk(v.Elem())
			}
		case reflect.Slice, reflect.Array:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case reflect.Struct:
			if v.Type() == reflect.TypeFor[analysis.Phrase]() && v.FieldByName("Code").String() != "" { // which is said in brackets
				return
			}
			for i := range v.NumField() {
				walk(v.Field(i))
			}
		case reflect.String:
			if s := v.String(); v.Type() == reflect.TypeFor[string]() && strings.ContainsAny(s, " 0123456789") {
				out = append(out, s)
			}
		}
	}
	for _, v := range values {
		walk(reflect.ValueOf(v))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// inCodes is a shop whose pages may come in codes.
func inCodes() (Config, *shop) {
	cfg, src := everything(true)
	cfg.Languages = []*notation.Language{notation.English(), notation.Codes()}
	return cfg, src
}

// All that a station's page, the wall and the drawings say of any state comes from the
// catalogue.
func TestStatesAreSaidInTheLanguage(t *testing.T) {
	for name, b := range shoptest.States() {
		f := notation.ForJob(b.Job)
		f.Language = notation.Codes()
		said := saidIn(b)
		views := map[string]view.Station{"here": view.Of(b, f), "away": view.Of(unheard(b), f)}
		for where, v := range views {
			all, err := json.Marshal(v)
			if err != nil {
				t.Fatal(err)
			}
			var texts map[string]any
			if err := json.Unmarshal(all, &texts); err != nil {
				t.Fatal(err)
			}
			for _, code := range []string{"tone", "is"} { // for the page's script
				delete(texts, code)
			}
			for _, s := range []string{"master", "gauge", "record"} {
				delete(texts[s].(map[string]any), "tone")
			}
			buttons, _ := texts["buttons"].([]any)
			for _, b := range buttons {
				delete(b.(map[string]any), "do")
			}
			for key, v := range texts {
				if w := untranslated(strings.Join(stringsIn(v), "\n"), said); len(w) > 0 {
					t.Errorf("%s, %s: %s says %q: %q", name, where, key, v, w)
				}
			}
		}
		if b.Job == nil {
			continue
		}
		for what, svg := range map[string][]byte{
			"cut":      picture.Cut{Bore: b, W: 1200, H: 420, Format: f}.SVG(),
			"approach": picture.Approach{Bore: b, W: 800, H: 400, Format: f, Expected: expected(b)}.SVG(),
			"clock":    picture.Approach{Bore: b, W: 800, H: 400, Format: f, Against: picture.ByClock}.SVG(),
			"honing":   picture.Approach{Bore: b, W: 800, H: 400, Format: f, Against: picture.ByHoning}.SVG(),
			"sections": picture.Sections{Bore: b, W: 800, H: 300, Format: f}.SVG(),
		} {
			if w := untranslated(shownOf(string(svg)), said); len(w) > 0 {
				t.Errorf("%s: the drawing %s says %q", name, what, w)
			}
		}
	}
}

// stringsIn returns the texts in a decoded value.
func stringsIn(v any) (out []string) {
	switch v := v.(type) {
	case string:
		return []string{v}
	case []any:
		for _, x := range v {
			out = append(out, stringsIn(x)...)
		}
	case map[string]any:
		for _, x := range v {
			out = append(out, stringsIn(x)...)
		}
	}
	return out
}

// Whatever happens at a station and whatever a gauge is rocked is told in the language.
func TestEventsAreSaidInTheLanguage(t *testing.T) {
	f := notation.Format{Language: notation.Codes()}
	p := shoptest.Began("told", shoptest.Sleeve()).Master().Rounds(shoptest.SleeveRounds, 6, 0)
	for _, e := range []event.Event{
		{Kind: event.Voided, Void: &event.Void{No: 36, Reason: analysis.Quote("dirt 7")}}, {Kind: event.Restored, Void: &event.Void{No: 36}},
		{Kind: event.Kept, Void: &event.Void{No: 36, Reason: analysis.Quote("looked at 7")}}, {Kind: event.Kept, Void: &event.Void{No: 36}},
		{Kind: event.RoundUndone, Round: &event.Round{Number: 3}},
		{Kind: event.Refused, Refused: &event.Refusal{Reason: analysis.Quote("not square 7")}}, {Kind: event.NoteAdded, Note: "new stone 7"},
		{Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-11", Lost: true}},
		{Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.IsAccepted, Reason: analysis.Quote("in size 7")}}, {Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.Scrapped, Reason: analysis.Quote("over 7")}},
	} {
		p.Tell(e)
	}
	said := saidIn(p.Told)
	for i := range p.Told {
		if h := view.Happening(&p.Told[i], f); len(untranslated(h.Text, said)) > 0 {
			t.Errorf("%s: the page says %q", h.Kind, h.Text)
		}
	}
	told := map[string]bool{}
	for _, l := range view.Lines(p.Told, &p.Fold, f, func(id string) string { return id }) {
		if w := untranslated(strings.Join([]string{l.Where, l.Size, l.Dev, l.How, l.Not, l.Note}, "\n"), said); len(w) > 0 {
			t.Errorf("the record says %+v: %q", l, w)
		}
		if code, ok := strings.CutPrefix(l.Note, "⟦"); ok {
			told[strings.Fields(code)[0]] = true
		}
	}
	for _, code := range []string{"history.round", "history.void", "history.restored", "history.kept", "history.kept_because", "history.refused", "history.gauge_lost", "history.judged"} {
		if !told[code] && !told[code+"⟧"] {
			t.Errorf("%s is not told: %q", code, slices.Sorted(maps.Keys(told)))
		}
	}
	for n := range 5 {
		l := rocked("told", n, "")
		if got := view.NeedleOf(&l, shoptest.Bush(), f); len(untranslated(got.Count+got.Text, nil)) > 0 {
			t.Errorf("%d passes: %q, %q", n, got.Count, got.Text)
		}
	}
}

// Every page comes in the language that is asked for, and in English where that is not
// known.
func TestPagesAreInTheLanguage(t *testing.T) {
	cfg, src := inCodes()
	lot := many{cfg.History.(shelf)}
	s := serve(t, cfg, src)
	cfg.History = lot
	busy := serve(t, cfg, src)
	bare := serve(t, Config{Languages: cfg.Languages}, newShop())
	done := lot.play.Bore()
	all := []any{done, lot.play.Told, cfg.Jobs(""), "first shift, <b>", " marks ", "SL-0"}
	for _, name := range src.order {
		all = append(all, "bay "+name)
	}
	said := saidIn(all...)
	for _, c := range []struct {
		s    *Server
		path string
	}{{busy, "/history"}, {busy, "/history?job=J-4112"}, {busy, "/history?part=none"}, {bare, "/wall"},
		{s, "/plan?nominal=25mm&class=H77&process=gnawed"}, {s, "/plan?low=x&high=1/3+mm&form=5+furlong&oval=1/8+in"}, {s, "/plan?low=25mm&high=24mm&oval=20mm&process=ground&bush_outside=30mm&housing=29.96mm&boss=60mm&bush=wood&hub=iron"},
		{s, "/plan?low=25mm&high=24mm&oval=20mm&process=ground&bush_outside=30mm&housing=29.96mm&boss=60mm&bush=bronze&hub=iron"}, {s, "/plan?nominal=25mm&class=H7&process=reamed&stock=300um"}, {s, "/plan?nominal=5mm&class=H7"}} {
		pageInCodes(t, c.s, c.path, said)
	}
	for _, path := range pagesToTry() {
		said := said
		if strings.HasPrefix(path, "/study/marks") {
			said = append([]string{"Gauge study"}, said...) // the record, which is made elsewhere
		}
		pageInCodes(t, s, path, said)
	}
	for _, path := range []string{"/station/none", "/station/none/view", "/station/none/job", "/part/bay2/99", "/part/bay2/x", "/study/none", "/study/marks/6"} {
		if status, _, body := get(t, s, path+"?lang=en-x-codes"); status != http.StatusNotFound || !strings.HasPrefix(body, "⟦page.no_") {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	for query, want := range map[string]string{"": `<html lang="en">`, "?lang=xx": `<html lang="en">`, "?lang=en-x-codes": `<html lang="en-x-codes">`} {
		if _, _, body := get(t, s, "/wall"+query); !strings.Contains(body, want) {
			t.Errorf("/wall%s is not %s", query, want)
		}
	}
}

// pageInCodes looks at a page in codes.
func pageInCodes(t *testing.T, s *Server, path string, said []string) {
	t.Helper()
	sep := "?"
	if strings.Contains(path, "?") {
		sep = "&"
	}
	status, _, body := get(t, s, path+sep+"lang=en-x-codes")
	if status != http.StatusOK {
		t.Fatalf("%s: %d", path, status)
	}
	if w := untranslated(shownOf(body), said); len(w) > 0 {
		t.Errorf("%s says %q", path, w)
	}
}

// So is what is answered to what was typed and ordered.
func TestAnswersAreInTheLanguage(t *testing.T) {
	cfg, src := inCodes()
	s := serve(t, cfg, src)
	typed := func(change map[string]string) string {
		text := shoptest.SleeveTyped()
		maps.Copy(text, change)
		b, err := json.Marshal(entryPosted{Text: text})
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	for _, body := range []string{
		`{"text":{}}`, typed(nil), typed(map[string]string{"low": "abc", "high": "1/3 mm", "sections": "1 x", "orientations": "up", "interrupts": "1", "ring": "R-0875"}),
		typed(map[string]string{"class": "h6", "id": "J-4112"}), typed(map[string]string{"low": "", "high": "", "class": "H6", "target": ""}), typed(map[string]string{"length": "0.00000000001", "nominal": "99999999999999"}),
	} {
		status, answer := post(t, s, "/station/ready/job?lang=en-x-codes", body, nil)
		var got entryReply
		if err := json.Unmarshal([]byte(answer), &got); status != http.StatusOK || err != nil {
			t.Fatalf("%s: %d %v", body, status, err)
		}
		texts := append(slices.Collect(maps.Values(got.Echo)), append(got.Ask, got.Plan)...)
		if w := untranslated(strings.Join(texts, "\n"), nil); len(w) > 0 {
			t.Errorf("%s is understood as %q: %q", body, texts, w)
		}
		if w := untranslated(shownOf(got.Cut), []string{"spindle sleeve", "oil hole", shoptest.Sleeve().Title}); len(w) > 0 {
			t.Errorf("%s is drawn with %q", body, w)
		}
		for field, fault := range got.Faults {
			if w := untranslated(fault, nil); len(w) > 0 {
				t.Errorf("%s: %s is answered with %q", body, field, fault)
			}
		}
	}
	for _, c := range []struct{ path, body string }{
		{"/records", `{"what":"none"}`}, {"/records", `{"what":"lot"}`}, {"/records", `{"what":"verify","format":"pdf"}`}, {"/records", `{"what":"readings","from":"x"}`},
		{"/records", `{"what":"readings","from":"2026-11-25","to":"2026-11-20"}`}, {"/records", `{"what":"part","paper":"a3"}`}, {"/records/stop", `{"id":"x"}`},
		{"/records", `{"what":`}, {"/records", `{} {}`}, {"/records", strings.Repeat(" ", maxAction+1)},
	} {
		status, answer := post(t, s, c.path+"?lang=en-x-codes", c.body, nil)
		var no event.Reply
		if err := json.Unmarshal([]byte(answer), &no); err != nil || status < 400 || len(untranslated(no.Why.Text, nil)) > 0 || no.Why.Text == "" {
			t.Errorf("%s %.40s: %d %s", c.path, c.body, status, answer)
		}
	}
	o := &outpost{shop: src}
	o.broker(time.Now().Add(-time.Hour), 3)
	if got := (&Server{src: o}).passing(time.Now(), notation.Format{Language: notation.Codes()}); got != "⟦face.broker.waiting 3⟧" {
		t.Errorf("a broker away: %q", got)
	}
}

// A script holds no sentence of its own, only codes.
func TestScriptsHoldNoSentences(t *testing.T) {
	literal := regexp.MustCompile("\"(?:[^\"\\\\\n]|\\\\.)*\"|`[^`]*`|'[^'\n]*'")
	sentence := regexp.MustCompile(`(?:^|[> ])[A-Za-z][a-z']+(?: [a-z']+)+[.?:]?(?:$|[< .])|[A-Za-z] ?\$\{|\} [a-z]{2,}`)
	comment := regexp.MustCompile(`(?m)(^|\s)//.*$`)
	technical := []string{"use strict", `"fairbore."`} // a directive; keys of the browser's store
	paths, err := fs.Glob(files, "static/*.js")
	if err != nil || len(paths) == 0 {
		t.Fatal(paths, err)
	}
	for _, path := range paths {
		b, err := files.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range literal.FindAllString(comment.ReplaceAllString(string(b), ""), -1) {
			if words := strings.Trim(s, "\"`'"); sentence.MatchString(words) && !slices.Contains(technical, words) {
				t.Errorf("%s says %s", path, s)
			}
		}
	}
}

// What the scripts of the pages say in a browser comes from the catalogue too.
func TestLooksInTheLanguage(t *testing.T) {
	t.Parallel()
	cfg, src := inCodes()
	s, stop := serveUntil(t, cfg, src)
	e := newEye(t, s)
	const shown = `(() => { const out = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT); while (walk.nextNode()) { const e = walk.currentNode.parentElement; if (!e.closest("script, noscript, style")) out.push(e.closest("#bar [data-key], #advice, #reason")?.textContent ?? walk.currentNode.data); } for (const x of document.querySelectorAll("[aria-label], [placeholder]")) out.push(x.ariaLabel || "", x.placeholder || ""); return [out.join("\n")]; })()`
	var said []string
	for name, b := range src.bores {
		said = append(said, saidIn(b, "bay "+name)...)
	}
	look := func(what string) {
		t.Helper()
		if w := untranslated(e.says(shown)[0], said); len(w) > 0 {
			t.Errorf("%s says %q", what, w)
		}
	}
	for name, keys := range map[string]string{"marks": "gkveprahnomzbdtyjs?", "surprise": "vk", "rests": "y"} {
		e.open("/station/"+name+"?lang=en-x-codes", "light", sizes["desk"])
		e.until("the page", drawn)
		e.until("the page to say that it is silent", `document.getElementById("cautions").textContent.includes("⟦script.silent⟧")`)
		for _, key := range strings.Split(keys, "") {
			e.ask(key)
			look(name + ", the question for " + key)
			e.until("it to close", `(document.querySelector("dialog[open]")?.close(), true)`)
		}
	}
	e.open("/wall?lang=en-x-codes", "light", sizes["desk"])
	e.until("the tiles", `document.querySelectorAll(".tile svg.picture").length > 10`)
	look("the wall")
	e.open("/station/ready/job?lang=en-x-codes&from=J-4107", "light", sizes["desk"])
	e.until("what is usual", `document.getElementById("e-target").textContent`)
	look("the form of a job")
	e.open("/records?lang=en-x-codes", "light", sizes["desk"])
	e.until("days back to front", `((f) => (f.from.value = "2026-11-30", f.to.value = "2026-11-02", true))(document.getElementById("order"))`)
	e.press("make")
	e.until("the days to be refused", `document.getElementById("why").textContent === "⟦page.order.days⟧"`)
	look("the records")
	e.open("/station/closing?lang=en-x-codes", "light", sizes["desk"])
	e.until("the page", drawn)
	stop()
	e.until("the page to say that the link is lost", `document.getElementById("word").textContent === "⟦away.big⟧"`)
	look("a page without a link")
}

// ask presses the button of a key in the bar of actions.
func (e *eye) ask(key string) {
	e.t.Helper()
	e.until("a question for "+key, fmt.Sprintf(`(document.querySelector("#bar [data-key=\"%s\"]").click(), document.querySelector("dialog[open]"))`, key))
}

// A browser gets the language that it asks for and keeps it; before that the first of its own
// that is known, by weight (RFC 9110, 12.5.4).
func TestABrowserHasItsLanguage(t *testing.T) {
	plain, shop := serve(t, Config{}, newShop()), serve(t, Config{Language: notation.Spoken("de")}, newShop())
	for _, c := range []struct{ query, cookie, likes, want string }{
		{"", "", "", "en"}, {"", "", "es-MX,es;q=0.9,en;q=0.8", "es"}, {"", "", "fr;q=0.5, de-AT;q=0.9", "de"}, {"", "", "fr", "en"}, {"", "", ";;q=x", "en"},
		{"", "de", "es", "de"}, {"", "xx", "es", "es"}, {"?lang=es", "de", "en", "es"}, {"?lang=xx", "de", "en", "de"},
		{"", "", "shop es", "de"}, {"", "es", "shop en", "es"}, {"?lang=en", "", "shop es", "en"}, // the wall of a German shop
	} {
		s := plain
		if likes, of := strings.CutPrefix(c.likes, "shop "); of {
			s, c.likes = shop, likes
		}
		r := httptest.NewRequest("GET", "http://"+s.Addr()+"/wall"+c.query, nil)
		r.RemoteAddr = "127.0.0.1:9"
		r.Header.Set("Accept-Language", c.likes)
		if c.cookie != "" {
			r.AddCookie(&http.Cookie{Name: languageCookie, Value: c.cookie})
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if !strings.Contains(w.Body.String(), `<html lang="`+c.want+`">`) {
			t.Errorf("%+v: not in %s: %d", c, c.want, w.Code)
		}
		kept := ""
		for _, k := range w.Result().Cookies() {
			if k.Name == languageCookie {
				kept = k.Value
			}
		}
		if want := map[bool]string{true: c.want}[strings.HasPrefix(c.query, "?lang=e")]; kept != want {
			t.Errorf("%+v: the browser keeps %q", c, kept)
		}
	}
}

// Settings has each language under its own name; the page comes in the one that is chosen, and so
// does every page after it.
func TestLanguageIsChosenInSettings(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	e.open("/station/marks", "light", sizes["desk"])
	e.until("the page", drawn)
	e.ask("s")
	if got := e.says(`[...document.getElementById("d-settings").querySelector("[name=lang]").options].map((o) => o.textContent + " " + o.lang)`); !slices.Equal(got, []string{"English en", "Deutsch de", "Español es"}) {
		t.Errorf("to choose from: %q", got)
	}
	e.run(chromedp.Evaluate[chromedp.Void](`{ const f = document.querySelector("#d-settings form"); f.lang.value = "de"; f.querySelector(".yes").click(); }`))
	e.until("the page in German", `document.documentElement.lang === "de" && document.getElementById("more").textContent === `+fmt.Sprintf("%q", notation.Format{Language: notation.Spoken("de")}.Text("page.button.more")))
	e.open("/history", "light", sizes["desk"])
	e.until("the next page in German", `document.documentElement.lang === "de"`)
}

// A number is typed and stepped as the language writes it, and read with either sign; one that may
// be thousands is not taken. What is spoken is in the page's language.
func TestNumbersAreTypedAndSpokenInTheLanguage(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	e.open("/station/marks?lang=de&speak=1", "light", sizes["desk"])
	e.until("the page", drawn)
	e.ask("t")
	got := e.says(`(async () => {
		const f = document.querySelector("#d-temperature form"), part = f.part_cel, out = [];
		for (const typed of ["21,5", "21.5", "−3,25", "1.234", "21,", "x"]) { part.value = typed; out.push(typed + " " + part.checkValidity()); }
		part.value = "21,5";
		part.closest(".stepper").querySelector("[data-step='0.1']").click();
		const { read } = await import("/static/dialogs.js"), { sounds } = await import("/static/sounds.js");
		speechSynthesis.speak = (said) => out.push(said.lang + " " + said.text);
		sounds.speak("−0,5 µm");
		return [...out, part.value, String(read("−3,25"))];
	})()`)
	want := []string{"21,5 true", "21.5 true", "−3,25 true", "1.234 false", "21, false", "x false", "de " + notation.Format{Language: notation.Spoken("de")}.Text("script.minus") + " 0,5 ", "21,6", "-3.25"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Numbers and dates are written as the browser's own copy of Unicode's CLDR has them. English
// dates are those of ISO 8601 instead, and no language groups the digits of sizes.
func TestLanguagesAreAsInCLDR(t *testing.T) {
	t.Parallel()
	e := newEye(t, serve(t, Config{}, newShop()))
	at := time.Date(2026, 3, 9, 8, 5, 0, 0, time.UTC)
	for _, l := range notation.Languages() {
		f := notation.Format{Language: l}
		date := fmt.Sprintf(`new Intl.DateTimeFormat(%q, {year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: "UTC"}).format(new Date(%q))`, l.Tag, at.Format(time.RFC3339))
		got := e.says(fmt.Sprintf(`[%s, new Intl.NumberFormat(%q, {minimumFractionDigits: 4, useGrouping: false}).format(1234.5), new Intl.DisplayNames([%[2]q], {type: "language"}).of(%[2]q)]`, date, l.Tag))
		if l.Tag != "en" && got[0] != f.Moment(at) {
			t.Errorf("%s: %q, want %q", l.Tag, f.Moment(at), got[0])
		}
		if n := f.Decimal(1234.5, 4); n != got[1] {
			t.Errorf("%s: %q, want %q", l.Tag, n, got[1])
		}
		if !strings.EqualFold(got[2], l.Name) {
			t.Errorf("%s is called %q, want %q", l.Tag, l.Name, got[2])
		}
	}
}
