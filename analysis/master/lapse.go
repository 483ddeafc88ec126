package master

import (
	"time"

	"fairbore/analysis"
)

// Lapse says when a zero is no longer to be trusted. A value of 0 sets no limit.
type Lapse struct {
	Age         time.Duration        `json:"age_ns"`
	Readings    int                  `json:"readings"`
	Temperature analysis.Temperature `json:"temperature_change_cel"`
	// Fresh and FreshReadings are the stricter limits before a reading that accepts a bore.
	Fresh         time.Duration `json:"fresh_ns"`
	FreshReadings int           `json:"fresh_readings"`
	// DueSoon is how long before a ring's calibration is due a reminder appears.
	DueSoon time.Duration `json:"due_soon_ns"`
}

// UsualLapse returns the usual limits of the trade (common practice). A zero lasts 30 minutes, 120
// readings, or until the temperature changes by 1 °C. Before a bore is accepted, the last look must be
// at most 10 minutes and 20 readings back.
func UsualLapse() Lapse {
	return Lapse{Age: 30 * time.Minute, Readings: 120, Temperature: analysis.Celsius, Fresh: 10 * time.Minute, FreshReadings: 20, DueSoon: 14 * 24 * time.Hour}
}

// Standing is what is known of the zero in use.
type Standing struct {
	Mastered bool          `json:"mastered"`
	Ring     analysis.Ring `json:"ring"`
	// LastGood is the last good look: the mastering, or a good check since.
	LastGood Mark `json:"last_good"`
	// Readings counts the readings since LastGood.
	Readings int `json:"readings"`
	// Failed is the last check, if it failed and no mastering followed.
	Failed *analysis.RingCheck `json:"failed,omitempty"`
	// Disturbed says what happened to the gauge since the mastering, such as a knock or a change of tips.
	// Its zero value means that nothing is known.
	Disturbed analysis.Phrase `json:"bumped,omitzero"`
	// Then and Now are the temperatures at the mastering and now, where known.
	Then *analysis.Temperature `json:"then_cel,omitempty"`
	Now  *analysis.Temperature `json:"now_cel,omitempty"`
}

// Reason says why a zero is not to be trusted, and what to do. A reason that does not stop the work
// is a reminder.
type Reason struct {
	analysis.Phrase
	Stops bool `json:"stops"`
}

// Reasons lists why the zero is not to be trusted now, the most serious first. If none of them stops,
// the zero may be used.
func (l Lapse) Reasons(s Standing, now time.Time) (rs []Reason) {
	add := func(stops bool, code string, args ...any) {
		rs = append(rs, Reason{analysis.Say(code, args...), stops})
	}
	if !s.Mastered {
		add(true, "master.not_mastered")
		return rs
	}
	if s.Failed != nil {
		add(true, "master.check_failed", analysis.Clock(s.Failed.At), analysis.Offset(s.Failed.Error))
	}
	if !s.Disturbed.IsZero() {
		add(true, "master.disturbed", s.Disturbed)
	}
	age := now.Sub(s.LastGood.At)
	if age < 0 {
		add(true, "master.clock_back")
	}
	if l.Age > 0 && age > l.Age {
		add(true, "master.too_old", age, l.Age)
	}
	if l.Readings > 0 && s.Readings > l.Readings {
		add(true, "master.too_many", s.Readings, l.Readings)
	}
	if l.Temperature > 0 && s.Then != nil && s.Now != nil {
		if d := max(*s.Now-*s.Then, *s.Then-*s.Now); d > l.Temperature {
			add(true, "master.temperature", *s.Then, *s.Now, analysis.Kelvin(l.Temperature))
		}
	}
	if analysis.Overdue(s.Ring.Due, now) {
		add(true, "master.ring_overdue", s.Ring.ID, analysis.Day(s.Ring.Due))
	} else if left := s.Ring.Due.Sub(now); !s.Ring.Due.IsZero() && left <= l.DueSoon {
		add(false, "master.ring_due", s.Ring.ID, analysis.Day(s.Ring.Due), days(left))
	}
	return rs
}

// BeforeAccept returns why a check is due before the readings that are to accept a bore. It returns
// nil if the last look is fresh enough.
func (l Lapse) BeforeAccept(s Standing, now time.Time) *Reason {
	age := now.Sub(s.LastGood.At)
	if s.Mastered && age >= 0 && (l.Fresh <= 0 || age <= l.Fresh) && (l.FreshReadings <= 0 || s.Readings <= l.FreshReadings) {
		return nil
	}
	if !s.Mastered || age < 0 {
		return &Reason{analysis.Say("master.look_first"), true}
	}
	return &Reason{analysis.Say("master.check_due", age, s.Readings), true}
}

// AfterAccept returns why the verdict on a part that was just accepted is not final: since one of its
// readings there was no good look at the ring. It returns nil if there was one. It stops nothing,
// because one look at the ring may serve several parts. finished counts the parts, this one included,
// that a failed look would put in doubt (common practice: a look at the ring before the readings that
// accept, and after them).
func AfterAccept(s Standing, part string, finished int) *Reason {
	if s.Readings == 0 {
		return nil
	}
	if finished > 1 {
		return &Reason{analysis.Say("master.check_after_all", part, finished), false}
	}
	return &Reason{analysis.Say("master.check_after", part), false}
}

// days returns in how many days something is.
func days(d time.Duration) analysis.Phrase {
	if n := int(d.Hours() / 24); n > 0 {
		return analysis.Say("master.in_days", n)
	}
	return analysis.Say("master.today")
}

// GaugeReasons lists reminders about the gauge's own calibration, due on a day (0: not stated). They
// stop nothing. The ring sets the zero, and the gauge's calibration shows that its scale holds away
// from the ring, so the shop decides.
func (l Lapse) GaugeReasons(gauge string, due, now time.Time) (rs []Reason) {
	switch left := due.Sub(now); {
	case due.IsZero():
	case analysis.Overdue(due, now):
		rs = append(rs, Reason{analysis.Say("master.gauge_overdue", gauge, analysis.Day(due)), false})
	case left <= l.DueSoon:
		rs = append(rs, Reason{analysis.Say("master.gauge_due", gauge, analysis.Day(due), days(left)), false})
	}
	return rs
}
