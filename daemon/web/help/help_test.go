package help_test

import (
	"slices"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/state"
	"fairbore/daemon/web/help"
)

// Each refusal and each caution of the catalogue has a topic, and each topic explains something and has
// its texts.
func TestEveryRefusalHasItsTopic(t *testing.T) {
	en, seen := notation.English(), map[help.Topic]bool{}
	for _, code := range en.All() {
		area, _, _ := strings.Cut(code, ".")
		refuses := slices.Contains([]string{"action", "ask", "capture", "caution", "daemon", "reading", "store"}, area) || strings.HasPrefix(code, "page.refused.") || strings.HasPrefix(code, "master.refuse.") || strings.HasPrefix(code, "master.ask.")
		topic := help.Of(code)
		if refuses && topic == "" {
			t.Errorf("nothing explains %s", code)
		}
		seen[topic] = true
	}
	for _, topic := range help.Topics() {
		if !seen[topic] {
			t.Errorf("the topic %s explains nothing", topic)
		}
		for _, part := range []string{"title", "means", "do"} {
			if code := "help." + part + "." + string(topic); !en.Has(code) {
				t.Errorf("no text %s", code)
			}
		}
	}
}

func TestTopicOfACode(t *testing.T) {
	for code, want := range map[string]help.Topic{
		"action.no_wall": "position", "action.accept.asked": "unlikely", "action.accept.state": "decision", "master.refuse.certificate": "certified", "master.not_mastered": "zero",
		"page.refused.pin": "person", "page.refused.wrong": "browser", "reading.implausible": "impossible", "reading.implausible_zero": "zero", "is." + string(state.TooWarm): "warm", "is." + string(state.NotRecording): "recording", "outcome.accepted": "", "": "",
	} {
		if got := help.Of(code); got != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
	if got := help.All("reading.spindle", "caution.spindle", "x", "is.no_job"); !slices.Equal(got, []help.Topic{"spindle", "job"}) {
		t.Errorf("%v", got)
	}
}
