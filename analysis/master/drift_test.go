package master

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

func mark(seq uint64, minutes int) Mark {
	return Mark{Seq: seq, At: morning.Add(time.Duration(minutes) * time.Minute)}
}

func TestInDoubt(t *testing.T) {
	looks := []Look{
		{Mark: mark(10, -30), Good: true, Mastering: true},
		{Mark: mark(40, 0), Good: true},
		{Mark: mark(55, 20), Good: false}, // failed too, but wasn't read well: doesn't count as good
		{Mark: mark(80, 50), Good: true},  // later than the failed one
	}
	failed := mark(60, 37)
	want := Interval{After: mark(40, 0), Before: failed}
	if got := InDoubt(looks, failed); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	slices.Reverse(looks)
	got := InDoubt(looks, failed)
	if got != want {
		t.Errorf("in another order %+v", got)
	}
	for seq, in := range map[uint64]bool{39: false, 40: false, 41: true, 59: true, 60: false, 61: false} {
		if got.Contains(seq) != in {
			t.Errorf("event %d: %v", seq, !in)
		}
	}
	if got := InDoubt(nil, failed); !got.Contains(1) || got.Contains(60) {
		t.Errorf("without a good look: %+v", got)
	}
}

// The zero drifted by 0.45 µm in 37 minutes; 14 readings in between.
func TestRecorrect(t *testing.T) {
	from, to := KnownError{Mark: mark(40, 0)}, KnownError{Mark: mark(60, 37), Error: 4500}
	var readings []PastReading
	for i := range 14 {
		readings = append(readings, PastReading{Mark: mark(uint64(42+i), 2*i+3), Size: 317_510_000})
	}
	readings = append(readings, PastReading{Mark: mark(39, -1), Size: 1}, PastReading{Mark: mark(61, 38), Size: 2})
	kept := slices.Clone(readings)
	out, err := Recorrect(readings, from, to)
	if err != nil || len(out) != 14 {
		t.Fatalf("%d corrected again, %v", len(out), err)
	}
	if !reflect.DeepEqual(readings, kept) {
		t.Error("the readings themselves were changed")
	}
	for i, r := range out {
		minutes := float64(2*i + 3)
		if want := -4500 * minutes / 37; float64(r.By) < want-0.5 || float64(r.By) > want+0.5 {
			t.Errorf("after %v min by %d, want %.1f", minutes, r.By, want)
		}
		if r.Was != 317_510_000 || r.Now != r.Was+analysis.Length(r.By) || r.Mark != readings[i].Mark {
			t.Errorf("%+v", r)
		}
		// A drift that came in one step at either end is off by at most this.
		if f := minutes / 37; float64(r.Within) < 4500*max(f, 1-f) {
			t.Errorf("within %d", r.Within)
		}
	}
	for name, ends := range map[string][2]KnownError{"clock back": {{Mark: mark(40, 37)}, {Mark: mark(60, 0)}}, "numbers back": {to, from}, "at once": {from, {Mark: mark(60, 0)}}} {
		if _, err := Recorrect(readings, ends[0], ends[1]); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// What is corrected lies between no correction and the whole error, and at a
// check itself is that check's.
func TestRecorrect_Between(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := analysis.Deviation(rapid.Int64Range(-100_000, 100_000).Draw(t, "error"))
		at := rapid.IntRange(-10, 70).Draw(t, "minute")
		out, err := Recorrect([]PastReading{{Mark: mark(5, at), Size: 1_000_000}}, KnownError{Mark: mark(1, 0)}, KnownError{Mark: mark(9, 60), Error: e})
		if err != nil || len(out) != 1 {
			t.Fatal(out, err)
		}
		by := out[0].By
		if by < min(0, -e) || by > max(0, -e) || at <= 0 && by != 0 || at >= 60 && by != -e {
			t.Fatalf("error %d, minute %d: by %d", e, at, by)
		}
	})
}

func TestLapse(t *testing.T) {
	l := UsualLapse()
	temp := func(v analysis.Temperature) *analysis.Temperature { return &v }
	now := morning.Add(10 * time.Minute)
	for name, c := range map[string]struct {
		change func(*Standing)
		now    time.Time
		codes  []string
		says   string
	}{
		"good":           {func(*Standing) {}, now, nil, ""},
		"not mastered":   {func(s *Standing) { *s = Standing{} }, now, []string{"master.not_mastered"}, ""},
		"failed":         {func(s *Standing) { s.Failed = &analysis.RingCheck{RingSet: analysis.RingSet{At: morning}, Error: 4500} }, now, []string{"master.check_failed"}, "⟦master.check_failed 10:05 +0.45 µm⟧"},
		"knocked":        {func(s *Standing) { s.Disturbed = analysis.Quote("the gauge was knocked") }, now, []string{"master.disturbed"}, "⟦master.disturbed the gauge was knocked⟧"},
		"clock":          {func(*Standing) {}, morning.Add(-time.Second), []string{"master.clock_back"}, ""},
		"30 min":         {func(*Standing) {}, morning.Add(30 * time.Minute), nil, ""},
		"over 30 min":    {func(*Standing) {}, morning.Add(30*time.Minute + time.Second), []string{"master.too_old"}, "⟦master.too_old 31 min 30 min⟧"},
		"120 readings":   {func(s *Standing) { s.Readings = 120 }, now, nil, ""},
		"121 readings":   {func(s *Standing) { s.Readings = 121 }, now, []string{"master.too_many"}, "⟦master.too_many 121 120⟧"},
		"1 °C":           {func(s *Standing) { s.Then, s.Now = temp(21_000), temp(22_000) }, now, nil, ""},
		"colder":         {func(s *Standing) { s.Then, s.Now = temp(22_100), temp(21_000) }, now, []string{"master.temperature"}, "⟦master.temperature 22.1 °C 21 °C 1.0 K⟧"},
		"unknown now":    {func(s *Standing) { s.Then = temp(10_000) }, now, nil, ""},
		"ring overdue":   {func(s *Standing) { s.Ring.Due = now.AddDate(0, 0, -1) }, now, []string{"master.ring_overdue"}, "⟦master.ring_overdue R-1250 2026-11-24⟧"},
		"ring due today": {func(s *Standing) { s.Ring.Due = now.Add(-time.Hour) }, now, []string{"master.ring_due"}, "⟦master.ring_due R-1250 2026-11-25 ⟦master.today⟧⟧"},
		"ring in 9 days": {func(s *Standing) { s.Ring.Due = now.Add(9 * 24 * time.Hour) }, now, []string{"master.ring_due"}, "⟦master.ring_due R-1250 2026-12-04 ⟦master.in_days 9⟧⟧"},
		"two at once":    {func(s *Standing) { s.Readings, s.Disturbed = 500, analysis.Quote("new tips") }, now, []string{"master.disturbed", "master.too_many"}, "⟦master.disturbed new tips⟧"},
	} {
		s := Standing{Mastered: true, Ring: r1250(t), LastGood: mark(40, 0)}
		c.change(&s)
		rs := l.Reasons(s, c.now)
		var codes []string
		var text strings.Builder
		for _, r := range rs {
			codes = append(codes, r.Code)
			text.WriteString(coded(r.Phrase) + " ")
			if r.Stops == (r.Code == "master.ring_due") {
				t.Errorf("%s: stops is %v", name, r.Stops)
			}
		}
		if !slices.Equal(codes, c.codes) || !strings.Contains(text.String(), c.says) {
			t.Errorf("%s: %v, %s", name, codes, text.String())
		}
	}
}

func TestAccept(t *testing.T) {
	l := UsualLapse()
	s := Standing{Mastered: true, LastGood: mark(40, 0), Readings: 6}
	if r := l.BeforeAccept(s, morning.Add(10*time.Minute)); r != nil {
		t.Errorf("a fresh zero: %+v", r)
	}
	if r := l.BeforeAccept(s, morning.Add(11*time.Minute)); r == nil || coded(r.Phrase) != "⟦master.check_due 11 min 6⟧" {
		t.Errorf("after 11 min: %+v", r)
	}
	s.Readings = 21
	if r := l.BeforeAccept(s, morning); r == nil || !r.Stops {
		t.Errorf("after 21 readings: %+v", r)
	}
	if r := l.BeforeAccept(Standing{}, morning); r == nil {
		t.Error("no mastering at all passes")
	}
	if r := l.BeforeAccept(s, morning.Add(-time.Minute)); r == nil {
		t.Error("a clock moved back passes")
	}
	if r := AfterAccept(Standing{Mastered: true}, "003", 0); r != nil {
		t.Errorf("checked after the last reading: %+v", r)
	}
	s.Readings = 6
	if r := AfterAccept(s, "003", 1); r == nil || coded(r.Phrase) != "⟦master.check_after 003⟧" || r.Stops {
		t.Errorf("not checked after the last reading: %+v", r)
	}
	if r := AfterAccept(s, "003", 4); r == nil || coded(r.Phrase) != "⟦master.check_after_all 003 4⟧" {
		t.Errorf("not checked for four parts: %+v", r)
	}
}
