package master

import (
	"time"

	"fairbore/analysis"
)

// Lapse says when a zero is no longer to be trusted. A value of 0 isn't asked for.
type Lapse struct {
	Age         time.Duration        `json:"age_ns"`
	Readings    int                  `json:"readings"`
	Temperature analysis.Temperature `json:"temperature_change_cel"`
	// Fresh and FreshReadings are the stricter limits before an accepting reading.
	Fresh         time.Duration `json:"fresh_ns"`
	FreshReadings int           `json:"fresh_readings"`
	// DueSoon is how long before a ring's calibration is due it is mentioned.
	DueSoon time.Duration `json:"due_soon_ns"`
}

// UsualLapse is the trade's rule (common practice): every 30 minutes or 120
// readings, at a change of temperature of 1 °C, and before a bore is accepted
// if the last look is more than 10 minutes or 20 readings back.
func UsualLapse() Lapse {
	return Lapse{Age: 30 * time.Minute, Readings: 120, Temperature: analysis.Celsius, Fresh: 10 * time.Minute, FreshReadings: 20, DueSoon: 14 * 24 * time.Hour}
}

// Standing is what is known of the zero in use.
type Standing struct {
	Mastered bool          `json:"mastered"`
	Ring     analysis.Ring `json:"ring"`
	// LastGood is the last good look: the mastering or a good check since.
	LastGood Mark `json:"last_good"`
	// Readings counts those taken since LastGood.
	Readings int `json:"readings"`
	// Failed is the last check, if it failed and no mastering came since.
	Failed *analysis.RingCheck `json:"failed,omitempty"`
	// Disturbed is what happened to the gauge since the mastering: a knock, a change of
	// tips. Zero: nothing known.
	Disturbed analysis.Phrase `json:"disturbed,omitzero"`
	// Then and Now are temperatures at the mastering and now, where known.
	Then *analysis.Temperature `json:"then_cel,omitempty"`
	Now  *analysis.Temperature `json:"now_cel,omitempty"`
}

// Reason is a reason why a zero isn't to be trusted, which says what to do. One that
// doesn't stop is only to be mentioned.
type Reason struct {
	analysis.Phrase
	Stops bool `json:"stops"`
}

// Reasons lists why the zero isn't to be trusted now, the gravest first; no
// reason that stops, and it may be used.
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

// BeforeAccept returns the reason why a check is due before readings that are
// to accept a bore; nil if the last look is fresh enough.
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

// AfterAccept returns the reason why the verdict on a part, just accepted, is not final: no
// good look at the ring since a reading that it rests on; nil if there is one. It stops
// nothing, since a ring may be looked at after several parts; of those, finished counts
// what a look that fails would put in doubt, this part included (common practice: the
// ring before the readings that accept and after).
func AfterAccept(s Standing, part string, finished int) *Reason {
	if s.Readings == 0 {
		return nil
	}
	if finished > 1 {
		return &Reason{analysis.Say("master.check_after_all", part, finished), false}
	}
	return &Reason{analysis.Say("master.check_after", part), false}
}

// days says in how many days something is.
func days(d time.Duration) analysis.Phrase {
	if n := int(d.Hours() / 24); n > 0 {
		return analysis.Say("master.in_days", n)
	}
	return analysis.Say("master.today")
}

// GaugeReasons lists what is to be said of the gauge's own calibration, due on a day (0:
// not stated). It stops nothing: the ring sets the zero, and what the gauge's calibration
// adds is that its scale holds away from the ring; the shop decides.
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
