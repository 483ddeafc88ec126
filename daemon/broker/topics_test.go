package broker

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// matchesPlainly is the rule of MQTT 3.1.1 section 4.7, written the plain way.
func matchesPlainly(filter, topic []string) bool {
	switch {
	case len(filter) == 0:
		return len(topic) == 0
	case filter[0] == "#":
		return len(filter) == 1
	case len(topic) == 0:
		return false
	case filter[0] != "+" && filter[0] != topic[0]:
		return false
	}
	if len(topic) == 1 && len(filter) == 2 && filter[1] == "#" {
		return true // "#" includes the parent level
	}
	return matchesPlainly(filter[1:], topic[1:])
}

// A filter overlaps the topics of a leaf if and only if some station's topic matches it.
func TestOverlapsProperty(t *testing.T) {
	level := rapid.SampledFrom([]string{"fairbore", "1", "site", "bay", "bore", "do", "+", "#", "", "2"})
	rapid.Check(t, func(t *rapid.T) {
		levels := rapid.SliceOfN(level, 1, 7).Draw(t, "filter")
		for i, l := range levels {
			if l == "#" && i < len(levels)-1 {
				levels[i] = "+" // "#" elsewhere is no filter; the broker refuses it before
			}
		}
		// "any" stands for the filter's own station, or one of another name.
		station := "any"
		if len(levels) > 3 && levels[3] != "+" && levels[3] != "#" {
			station = levels[3]
		}
		want := station != "" && matchesPlainly(levels, []string{"fairbore", "1", "site", station, "bore"})
		if got := overlaps(strings.Join(levels, "/"), "site", "bore"); got != want {
			t.Fatalf("%v: %t, want %t", levels, got, want)
		}
	})
}

// A filter matches a topic by the plain rule, whatever the levels are.
func TestMatchesProperty(t *testing.T) {
	level := rapid.SampledFrom([]string{"fairbore", "1", "", "+", "#"})
	rapid.Check(t, func(t *rapid.T) {
		filter, topic := rapid.SliceOfN(level, 1, 6).Draw(t, "filter"), rapid.SliceOfN(rapid.SampledFrom([]string{"fairbore", "1", ""}), 1, 6).Draw(t, "topic")
		if !validFilter(strings.Join(filter, "/")) {
			return
		}
		if got, want := matches(filter, topic), matchesPlainly(filter, topic); got != want {
			t.Fatalf("%q on %q: %t, want %t", filter, topic, got, want)
		}
	})
}

func TestSharedSubscription(t *testing.T) {
	var none right
	for filter, want := range map[string]bool{
		"$share/writers/fairbore/1/site/+/reading": true,
		"$share/writers/fairbore/1/site/+/do":      false,
		"$share/writers/$SYS/#":                    false,
		"$share/writers":                           false,
	} {
		if got := none.mayRead("site", filter); got != want {
			t.Errorf("%s: %t", filter, got)
		}
	}
}
