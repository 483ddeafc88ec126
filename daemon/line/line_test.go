package line

import (
	"bytes"
	"reflect"
	"slices"
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
	set.Jobs = map[string]*analysis.Job{"J-1": {
		ID: "J-1", Title: "sleeve", Material: "steel", Unit: analysis.MM, Nominal: 317_500_000, Limits: analysis.Limits{Low: 317_500_000, High: 317_525_000, Target: 317_510_000},
		Band: 2_000_000, Length: 635_000_000, Sections: []analysis.Length{50_000_000}, Orientations: []analysis.Angle{0},
	}}
	s := session.New(set, nil)
	return New(i, s), s
}

// Whatever a keyboard-like scanner types, and wherever the reads cut it, the same
// parts begin, with serial numbers that can be shown.
func FuzzScanner(f *testing.F) {
	key := func(code byte, at byte) []byte {
		b := make([]byte, 24)
		b[8], b[9], b[16], b[18], b[20] = 0, at, 1, code, 1
		return b
	}
	f.Add(bytes.Join([][]byte{key(31, 1), key(49, 2), key(12, 3), key(8, 4), key(28, 5)}, nil), uint8(7))
	f.Fuzz(func(t *testing.T, data []byte, cut uint8) {
		feed := func(n int) (events []event.Event) {
			l, _ := scannerLine(t)
			at := drivers.Moment{Wall: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}
			take := func(k port.Kind, b []byte) {
				events = append(events, l.Take(port.Chunk{At: at, Kind: k, Data: b})...)
			}
			take(port.Up, nil)
			take(port.Idle, nil)
			for piece := range slices.Chunk(data, n) {
				take(port.Data, piece)
			}
			take(port.Idle, nil)
			return events
		}
		whole := feed(max(len(data), 1))
		for i := range whole {
			if p := whole[i].Part; p != nil && (p.Serial == "" || len(p.Serial) > 64 || strings.ContainsFunc(p.Serial, analysis.Unprintable)) {
				t.Fatalf("part %q", p.Serial)
			}
		}
		if cut := feed(max(int(cut), 1)); !reflect.DeepEqual(cut, whole) {
			t.Fatalf("cut:\n%+v\nwhole:\n%+v", cut, whole)
		}
	})
}

// scannerLine is the line of a scanner at a station with a job.
func scannerLine(t *testing.T) (*Line, *session.Session) {
	t.Helper()
	d, err := drivers.Find("typed")
	if err != nil {
		t.Fatal(err)
	}
	dec, err := d.Decoder(nil)
	if err != nil {
		t.Fatal(err)
	}
	l, s := gaugeLine(t, Instrument{})
	s.Act(drivers.Moment{}, event.Action{Do: "job", Job: "J-1"})
	if s.Fold().Job == nil {
		t.Fatal("no job")
	}
	l.Instrument = Instrument{Name: "scanner", Decoder: dec, Scanner: true}
	return New(l.Instrument, s), s
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
