package export

import (
	"errors"
	"regexp"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Whatever a job or part is called, the file has a name that leads nowhere.
func TestOrderNames(t *testing.T) {
	plain := regexp.MustCompile(`^fairbore-[A-Za-z0-9_.-]{1,91}\.(pdf|html|txt|csv|xlsx|ndjson)$`)
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(Offers()).Draw(t, "what")
		w := Wanted{What: f.Name, Format: rapid.SampledFrom(f.Formats).Draw(t, "format"), Job: rapid.String().Draw(t, "job"), Part: rapid.String().Draw(t, "part"), Station: rapid.String().Draw(t, "station")}
		if name, kind := w.file(); !plain.MatchString(name) || kind == "" {
			t.Errorf("%+v: %q %q", w, name, kind)
		}
	})
}

// A record comes in the language that is asked for, and in the shop's where none is.
func TestOrderInALanguage(t *testing.T) {
	for lang, want := range map[string]*notation.Language{"": nil, "de": notation.Spoken("de"), "es": notation.Spoken("es")} {
		if w, err := (&Order{What: "part", Lang: lang}).Wanted(time.UTC); err != nil || w.Language != want {
			t.Errorf("%q: %v %v", lang, w.Language, err)
		}
	}
	var why analysis.Phrase
	if _, err := (&Order{What: "part", Lang: "xx"}).Wanted(time.UTC); !errors.As(err, &why) || why.Code != "page.order.language" {
		t.Errorf("an unknown language: %v", err)
	}
}
