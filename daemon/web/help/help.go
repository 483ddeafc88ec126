// Package help finds what explains a refusal, a caution or a situation: a topic, which the page of
// help tells in two sentences, what it means and what to do, with a drawing.
package help

import (
	"slices"
	"strings"
)

// Topic is a thing that is explained. Its texts are the phrases help.title.TOPIC, help.means.TOPIC and help.do.TOPIC.
type Topic string

// topic is a topic with the codes of what it explains: the beginnings of codes of phrases, and
// situations (see [fairbore/daemon/state.Situation]) after "is.".
type topic struct {
	Topic
	of []string
}

// topics returns the topics in the order of the page.
func topics() []topic {
	return []topic{
		{"spindle", []string{"reading.spindle", "caution.spindle", "caution.stones", "caution.bottom", "caution.hot", "face.caution.turning"}},
		{"recording", []string{"is.not_recording", "store.", "daemon."}},
		{"gauge", []string{"is.gauge_lost", "is.no_signal", "action.record.", "capture.silent", "capture.stuck", "reading.flood", "caution.flood", "reading.no_unit", "reading.no_value"}},
		{"person", []string{"action.person.", "action.part.badge", "page.refused.pin", "page.refused.badge", "page.refused.nobody", "page.refused.role"}},
		{"browser", []string{"page.refused."}},
		{"job", []string{"is.no_job", "action.no_job", "action.unknown_job", "ask.other_job"}},
		{"part", []string{"action.no_part", "action.open", "action.part_", "ask.next_part", "ask.part_again"}},
		{"zero", []string{"is.not_mastered", "is.check_ring", "is.read_ring", "is.check_after", "is.in_doubt", "action.check.", "action.reread.", "action.gain.", "reading.no_zero", "reading.implausible_zero", "master."}},
		{"ring", []string{"action.name_ring", "action.no_ring", "action.ring_readings", "action.leave.", "action.left", "reading.far_from_ring", "reading.ring_spread", "master.refuse.", "master.ask.", "master.second.", "master.suspect.", "ask.other_ring", "ask.ring_far"}},
		{"certified", []string{"master.refuse.certificate", "master.suspect.nominal_taken"}},
		{"calibration", []string{"master.ring_overdue", "master.ring_due", "master.gauge_overdue", "master.gauge_due", "master.ask.overdue", "ask.ring_overdue"}},
		{"rock", []string{"is.rock_slowly", "is.rock_fast", "capture.", "action.speed", "caution.averaging"}},
		{"position", []string{"is.right_position", "action.no_wall", "action.not_planned", "action.position.", "reading.no_depth", "reading.no_section", "reading.no_wall", "reading.all_skipped"}},
		{"unlikely", []string{"ask.smaller", "ask.larger", "ask.misplaced", "ask.right_place", "action.keep.", "action.accept.asked"}},
		{"impossible", []string{"reading.implausible"}},
		{"warm", []string{"is.too_warm", "action.cooldown.", "action.temperature.", "ask.warm"}},
		{"round", []string{"is.measure", "is.stock_to_go", "action.round.", "ask.round_empty", "caution.faster", "caution.slower", "caution.you_decide"}},
		{"void", []string{"action.void.", "action.restore."}},
		{"decision", []string{"is.accepted", "is.rejected", "is.over", "is.in_size", "is.out_of_form", "is.too_close", "is.cannot_judge", "action.accept.", "action.concession.", "action.result.", "action.supersede."}},
		{"signature", []string{"action.sign."}},
		{"study", []string{"is.study_", "caution.study", "ask.study_", "ask.beyond_study"}},
		{"entry", []string{"action.", "daemon.not_a_command", "daemon.one_at_a_time", "daemon.no_id", "page.refused.json", "page.refused.body", "page.refused.long", "page.refused.more"}},
	}
}

// Topics returns all topics in the order of the page.
func Topics() (all []Topic) {
	for _, t := range topics() {
		all = append(all, t.Topic)
	}
	return all
}

// Of returns the topic that explains a code, "" if none does. Of several beginnings the longest one
// counts.
func Of(code string) (best Topic) {
	longest := 0
	for _, t := range topics() {
		for _, p := range t.of {
			if len(p) > longest && strings.HasPrefix(code, p) {
				best, longest = t.Topic, len(p)
			}
		}
	}
	return best
}

// All returns the topics of codes, each once, in the order in which the codes come.
func All(codes ...string) (found []Topic) {
	for _, c := range codes {
		if t := Of(c); t != "" && !slices.Contains(found, t) {
			found = append(found, t)
		}
	}
	return found
}
