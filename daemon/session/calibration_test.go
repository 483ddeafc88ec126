package session

import (
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
)

// A gauge past the day that its own calibration is due has a caution, and nothing more:
// the ring sets the zero. On the day itself it is in date. What held when the zero was
// set stays in the journal, whatever the configuration says later.
func TestGaugeCalibrationIsDue(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 11, d, 0, 0, 0, 0, time.UTC) } // the bench begins on 25 November
	for _, c := range []struct {
		due  time.Time
		says string
	}{
		{time.Time{}, ""},
		{day(24), "⟦master.gauge_overdue G-11 2026-11-24⟧"},
		{day(25), "⟦master.gauge_due G-11 2026-11-25 ⟦master.today⟧⟧"},
		{day(27), "⟦master.gauge_due G-11 2026-11-27 ⟦master.in_days 1⟧⟧"},
		{day(25).AddDate(0, 2, 0), ""},
	} {
		set := guarded(verdict.Simple)
		set.Gauge.Due, set.Gauge.Certified, set.Master.Lapse.DueSoon = c.due, "K-3001", 14*24*time.Hour
		b := gauged(t, set, "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
		if got := allCoded(b.bore().Cautions); c.says != "" && !slices.Contains(got, c.says) || c.says == "" && slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, "⟦master.gauge_") }) {
			t.Errorf("due %s: %q", c.due, got)
		}
		if m := b.Fold().Master; !m.GaugeDue.Equal(c.due) || m.GaugeCertified != "K-3001" {
			t.Errorf("due %s: the mastering has %s, %q", c.due, m.GaugeDue, m.GaugeCertified)
		}
		set.Gauge.Due = day(25).AddDate(1, 0, 0) // calibrated meanwhile
		b.keep(b.Configure(b.now, set))
		if m := b.Fold().Master; !m.GaugeDue.Equal(c.due) || slices.Contains(allCoded(b.bore().Cautions), c.says) {
			t.Errorf("due %s: after the reload %s, %q", c.due, m.GaugeDue, b.bore().Cautions)
		}
		b.must(event.Action{Do: "accept"})
	}
}

// A ring that is due soon is mentioned; it used to be known and told to nobody.
func TestRingDueSoonIsMentioned(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Master.Lapse.DueSoon = 14 * 24 * time.Hour
	set.Rings["R-1250"].Due = time.Date(2026, 12, 4, 0, 0, 0, 0, time.UTC)
	if b := gauged(t, set, "31.7513").bore(); !b.Master.OK || !slices.Contains(allCoded(b.Cautions), "⟦master.ring_due R-1250 2026-12-04 ⟦master.in_days 8⟧⟧") {
		t.Errorf("%v, %q", b.Master, b.Cautions)
	}
}
