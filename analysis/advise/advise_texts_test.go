package advise_test

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/notation"
)

// An advice can be read from three metres.
func TestTextsAreShort(t *testing.T) {
	for _, id := range []string{"J-4107", "J-4112", "J-4120", "J-4131"} {
		j := job(t, id)
		for round := range j.sim.Rounds {
			a := advise.Next(told(t, j, round))
			if s := (notation.Format{}).Say(a.Sentence); utf8.RuneCountInString(s) > 90 {
				t.Errorf("%s round %d: %d characters: %s", id, round, utf8.RuneCountInString(s), s)
			}
		}
	}
}

// There is never a word of turning a part with a blind bore.
func TestTextsOfABlindBoreDoNotTurnIt(t *testing.T) {
	j := job(t, "J-4120")
	for round := 1; round <= 3; round++ {
		a := advise.Next(told(t, j, round))
		text := strings.ToLower(notation.Format{}.SayAll(slices.Concat([]analysis.Phrase{a.Sentence, a.Reason}, a.How, a.Cautions)...))
		if !strings.Contains(text, "short strokes at the bottom") || strings.Contains(text, "turn the part") || strings.Contains(text, "turning the part") || strings.Contains(text, "end for end") {
			t.Errorf("round %d: %s", round, text)
		}
	}
}
