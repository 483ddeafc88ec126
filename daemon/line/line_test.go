package line

import (
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

func gaugeLine(t *testing.T, i Instrument) (*Line, *session.Session) {
	t.Helper()
	d, err := drivers.Find("line")
	if err != nil {
		t.Fatal(err)
	}
	if i.Decoder, err = d.Decoder(nil); err != nil {
		t.Fatal(err)
	}
	i.Name = "G-11"
	set := state.Settings{Station: "bay2"}
	set.Gauge.Name, set.Gauge.Unit = "G-11", analysis.MM
	set.Capture.Mode = "settled"
	s := session.New(set, nil)
	return New(i, s), s
}

// A pedal that is down when the line is opened is not pressed; only a change from up
// to down is. What is declined is told, and stays on the page while the gauge goes on
// streaming, but not for long.
func TestPedalDownAtTheOpening(t *testing.T) {
	l, s := gaugeLine(t, Instrument{Pedal: "cts", Does: "round"})
	var declined []string
	l.Declined = func(source string, r event.Reply) { declined = append(declined, source+" "+r.Do+" "+r.Why.Code) }
	at := drivers.Moment{Wall: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}
	pass := func(d time.Duration) { at.Wall, at.Mono = at.Wall.Add(d), at.Mono+d }
	on, off := port.ModemLines{CTS: true}, port.ModemLines{}
	down := func(c port.ModemLines) {
		pass(time.Second)
		l.Take(port.Chunk{At: at, Kind: port.LineState, Lines: c})
	}
	for range 2 {
		l.Take(port.Chunk{At: at, Kind: port.Up})
		down(on)
	}
	if declined != nil {
		t.Errorf("declined %q although nobody pressed", declined)
	}
	down(off)
	down(on)
	if got := strings.Join(declined, "; "); got != "pedal round action.no_job" {
		t.Errorf("declined %q", got)
	}
	hint := func() string {
		pass(time.Second)
		l.Take(port.Chunk{At: at, Data: []byte("+31.74600 mm\r\n")})
		live, _ := s.Live()
		return live.Hint.Code
	}
	l.Take(port.Chunk{At: at, Kind: port.Idle})
	for i, want := range []string{"action.no_job", "action.no_job", "action.no_job", "", ""} {
		if got := hint(); got != want {
			t.Errorf("%d s after the press the hint is %q, want %q", i+1, got, want)
		}
	}
}
