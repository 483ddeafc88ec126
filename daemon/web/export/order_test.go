package export

import (
	"regexp"
	"testing"

	"pgregory.net/rapid"
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
