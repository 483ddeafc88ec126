package master

import (
	"fmt"
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
	// Disturbed is what happened to the gauge since the mastering, in words: a
	// knock, a change of tips. Empty: nothing known.
	Disturbed string `json:"disturbed,omitempty"`
	// Then and Now are temperatures at the mastering and now, where known.
	Then *analysis.Temperature `json:"then_cel,omitempty"`
	Now  *analysis.Temperature `json:"now_cel,omitempty"`
}

// Code names a reason for a program.
type Code string

// The codes.
const (
	NotMastered   Code = "not_mastered"
	CheckFailed   Code = "check_failed"
	WasDisturbed  Code = "disturbed"
	ClockBack     Code = "clock_back"
	TooOld        Code = "too_old"
	TooMany       Code = "too_many_readings"
	TooWarmOrCold Code = "temperature_changed"
	RingOverdue   Code = "ring_overdue"
	RingDueSoon   Code = "ring_due_soon"
	GaugeOverdue  Code = "gauge_overdue"
	GaugeDueSoon  Code = "gauge_due_soon"
	CheckDue      Code = "check_due"
)

// Reason is a reason why a zero isn't to be trusted, as a plain sentence that
// says what to do. One that doesn't stop is only to be mentioned.
type Reason struct {
	Code     Code   `json:"code"`
	Sentence string `json:"sentence"`
	Stops    bool   `json:"stops"`
}

// Reasons lists why the zero isn't to be trusted now, the gravest first; no
// reason that stops, and it may be used.
func (l Lapse) Reasons(s Standing, now time.Time) (rs []Reason) {
	add := func(stops bool, c Code, format string, args ...any) {
		rs = append(rs, Reason{c, fmt.Sprintf(format, args...), stops})
	}
	if !s.Mastered {
		add(true, NotMastered, "The gauge is not mastered: read the ring.")
		return rs
	}
	if s.Failed != nil {
		add(true, CheckFailed, "The zero check at %s failed, %s off: re-master.", s.Failed.At.Format("15:04"), signed(s.Failed.Error))
	}
	if s.Disturbed != "" {
		add(true, WasDisturbed, "Since the mastering: %s. Re-master.", s.Disturbed)
	}
	age := now.Sub(s.LastGood.At)
	if age < 0 {
		add(true, ClockBack, "The clock was moved back past the last look at the ring: check the zero.")
	}
	if l.Age > 0 && age > l.Age {
		add(true, TooOld, "The last good look at the ring was %s ago, limit %s: check the zero.", minutes(age), minutes(l.Age))
	}
	if l.Readings > 0 && s.Readings > l.Readings {
		add(true, TooMany, "%d readings since the last good look at the ring, limit %d: check the zero.", s.Readings, l.Readings)
	}
	if l.Temperature > 0 && s.Then != nil && s.Now != nil {
		if d := max(*s.Now-*s.Then, *s.Then-*s.Now); d > l.Temperature {
			add(true, TooWarmOrCold, "From %s to %s since the mastering, limit %s of change: re-master.", s.Then, s.Now, l.Temperature)
		}
	}
	if analysis.Overdue(s.Ring.Due, now) {
		add(true, RingOverdue, "The calibration of ring %s was due on %s: use a ring in date.", s.Ring.ID, s.Ring.Due.Format(time.DateOnly))
	} else if left := s.Ring.Due.Sub(now); !s.Ring.Due.IsZero() && left <= l.DueSoon {
		add(false, RingDueSoon, "The calibration of ring %s is due on %s, %s.", s.Ring.ID, s.Ring.Due.Format(time.DateOnly), days(left))
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
		return &Reason{CheckDue, "Look at the ring before the readings that are to accept the bore.", true}
	}
	return &Reason{CheckDue, fmt.Sprintf("A zero check is due before the readings that are to accept the bore: the last was %s and %d readings ago.", minutes(age), s.Readings), true}
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
	also := ""
	if finished > 1 {
		also = fmt.Sprintf(" (so it is with all %d parts finished since the last look)", finished)
	}
	return &Reason{CheckDue, fmt.Sprintf("Check the zero once more: the verdict on part %s is final when the ring still reads true after its last reading%s.", part, also), false}
}

// minutes writes a duration rounded up, so that 30 min and a second isn't 30 min.
func minutes(d time.Duration) string {
	if d > 2*time.Hour {
		return fmt.Sprintf("%d h", (d+time.Hour-1)/time.Hour)
	}
	return fmt.Sprintf("%d min", (d+time.Minute-1)/time.Minute)
}

func days(d time.Duration) string {
	switch n := int(d.Hours() / 24); {
	case d <= 0:
		return "today"
	case n == 1:
		return "in 1 day"
	default:
		return fmt.Sprintf("in %d days", n)
	}
}

// GaugeReasons lists what is to be said of the gauge's own calibration, due on a day (0:
// not stated). It stops nothing: the ring sets the zero, and what the gauge's calibration
// adds is that its scale holds away from the ring; the shop decides.
func (l Lapse) GaugeReasons(gauge string, due, now time.Time) (rs []Reason) {
	switch left := due.Sub(now); {
	case due.IsZero():
	case analysis.Overdue(due, now):
		rs = append(rs, Reason{GaugeOverdue, fmt.Sprintf("Gauge %s was due for calibration on %s: use one in date.", gauge, due.Format(time.DateOnly)), false})
	case left <= l.DueSoon:
		rs = append(rs, Reason{GaugeDueSoon, fmt.Sprintf("Gauge %s is due for calibration on %s, %s.", gauge, due.Format(time.DateOnly), days(left)), false})
	}
	return rs
}
