package main

import (
	"strings"
	"testing"
	"time"
)

// TestMeter checks that the line is written no more often than an eye can follow, says how long the
// rest of the work takes, leaves nothing of a longer line on the terminal, and ends once.
func TestMeter(t *testing.T) {
	var out strings.Builder
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	m := &meter{to: &out, what: "verify", now: func() time.Time { return now }}
	for done := uint64(0); done <= 1000; done++ {
		m.show(done, 1000)
		now = now.Add(10 * time.Millisecond)
	}
	m.show(1000, 1000)
	m.end()
	got := out.String()
	lines := strings.Split(strings.TrimSuffix(got, "\n"), "\r")[1:]
	if len(lines) < 95 || len(lines) > 105 { // 10 s, ten lines a second
		t.Errorf("%d lines in 10 s", len(lines))
	}
	if want := "verify  50 %, 500 of 1000, about 5s left"; !strings.Contains(got, want) {
		t.Errorf("no %q in %q", want, lines)
	}
	last := lines[len(lines)-1]
	if strings.TrimSpace(last) != "verify 100 %, 1000 of 1000" || len(last) < len(strings.TrimRight(lines[len(lines)-2], " ")) {
		t.Errorf("last %q after %q", last, lines[len(lines)-2])
	}
	if strings.Count(got, "\n") != 1 {
		t.Errorf("%d line ends, want 1", strings.Count(got, "\n"))
	}
}

// TestMeterBrokenOff checks that work that is broken off leaves a line of its own for the reason.
// Work that showed nothing leaves no line.
func TestMeterBrokenOff(t *testing.T) {
	var out strings.Builder
	m := &meter{to: &out, what: "export", now: time.Now}
	m.show(1, 10)
	m.end()
	m.end()
	if !strings.HasSuffix(out.String(), "10\n") {
		t.Errorf("%q", out.String())
	}
	var none *meter
	none.end()
}
