package broker

import (
	"slices"
	"strings"
)

// right says what a client may do.
type right struct {
	publish bool // what stations say
	command bool // to stations
}

// leaves returns the last levels of the topics that stations publish. "do" is the one that they
// receive.
func leaves() []string { return []string{"live", "reading", "event", "bore", "alive", "done", "head"} }

// mayPublish reports whether a message to the topic is allowed: exactly
// fairbore/1/SITE/STATION/LEAF.
func (r right) mayPublish(site, topic string) bool {
	l := strings.Split(topic, "/")
	if len(l) != 5 || l[0] != "fairbore" || l[1] != "1" || l[2] != site || l[3] == "" {
		return false
	}
	if l[4] == "do" {
		return r.command
	}
	return r.publish && slices.Contains(leaves(), l[4])
}

// mayRead reports whether a topic may be delivered, or a filter subscribed to. A filter is allowed
// if it can match a topic that may be read. Each delivery is checked again by its topic.
func (r right) mayRead(site, filter string) bool {
	if rest, ok := strings.CutPrefix(filter, "$share/"); ok {
		_, filter, _ = strings.Cut(rest, "/")
	}
	for _, leaf := range leaves() {
		if overlaps(filter, site, leaf) {
			return true
		}
	}
	return r.publish && overlaps(filter, site, "do")
}

// overlaps reports whether the filter can match fairbore/1/site/ANY/leaf.
func overlaps(filter, site, leaf string) bool {
	want := [...]string{"fairbore", "1", site, "", leaf} // the empty level matches any
	levels := strings.Split(filter, "/")
	for i, w := range want {
		if i >= len(levels) {
			return false
		}
		switch f := levels[i]; {
		case f == "#":
			return i == len(levels)-1
		case f == "+", w == "" && f != "", f == w:
		default:
			return false
		}
	}
	return len(levels) == len(want) || len(levels) == len(want)+1 && levels[len(want)] == "#"
}
