package listen

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// askEvery is the interval between requests: long enough for every known gauge that answers one
// (common practice).
const askEvery = 350 * time.Millisecond

// taking collects what passes while the port is open once.
type taking struct {
	*listener
	heard  *Heard
	port   *port.Port
	screen screen
	lost   string // newest reason why the line was down
	opened bool   // the port was open at some time
	up     bool

	opening int // number of entries before the newest opening
	stream  drivers.Stream
	asker   drivers.Requester
}

// loop continues until the time is over or the person has finished.
func (t *taking) loop(ctx context.Context, chunks <-chan port.Chunk) {
	if t.heard.Driver != "" {
		t.stream.Decoder = decoder(t.heard.Driver, t.heard.Options)
		t.asker, _ = t.stream.Decoder.(drivers.Requester)
	}
	ask := time.NewTicker(askEvery)
	defer ask.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case c, ok := <-chunks:
			if !ok {
				return
			}
			t.take(c)
			if t.lost != "" && !t.opened { // it will hardly come now
				return
			}
		case <-ask.C:
			if t.asker != nil && t.up {
				t.ask(ctx)
			}
		case line, ok := <-t.Answers:
			switch {
			case !ok: // nobody is there any more
				t.Answers = nil
				fallthrough
			case strings.TrimSpace(line) == "":
				if t.staying {
					return
				}
			default:
				t.answer(line)
			}
		}
	}
}

func (t *taking) at() time.Duration { return t.Now().Sub(t.start) }

// take keeps a chunk of the port as evidence and shows it.
func (t *taking) take(c port.Chunk) {
	keep := drivers.Entry{At: c.At.Mono, Wall: c.At.Wall}
	switch c.Kind {
	case port.Data:
		keep.Data = c.Data
		t.screen.data(c.At.Mono, c.Data)
		if t.asker != nil {
			t.stream.Feed(c.Data, false, func(drivers.Found) {})
		}
	case port.Idle:
		t.screen.flush()
		return
	case port.LineError:
		keep.Mark = MarkDamaged
		t.screen.damaged(c.At.Mono)
	case port.Up:
		keep.Mark, t.up, t.opened, t.opening = drivers.MarkOpened, true, true, len(t.heard.Entries)
	case port.Lost:
		if c.Why.Code == port.ServerSaid { // nothing came from a gauge
			t.opened, t.up, t.lost = false, false, notation.Format{}.Say(c.Why)
			t.heard.Entries = t.heard.Entries[:t.opening]
			return
		}
		keep.Mark, t.up, t.lost = drivers.MarkLost, false, notation.Format{}.Say(c.Why)
		if t.opened { // otherwise it is the error, and is reported once
			t.say("%s", t.lost)
		}
	default:
		return
	}
	t.heard.Entries = append(t.heard.Entries, keep)
}

// ask sends the next request, and notes it.
func (t *taking) ask(ctx context.Context) {
	t.stream.Feed(nil, true, func(drivers.Found) {})
	request := t.asker.Request(nil)
	if len(request) > 0 && t.port.Write(ctx, request) != nil {
		return
	}
	t.heard.Entries = append(t.heard.Entries, drivers.Entry{At: t.at(), Wall: t.Now(), Out: true, Data: request})
	if len(request) > 0 {
		t.screen.flush()
		t.say("%10s  > %s", seconds(t.at()), visible(request))
	}
}

// answer notes what the display shows, and compares it.
func (t *taking) answer(line string) {
	s := Shown{Text: strings.TrimSpace(line), At: t.at()}
	if n := len(t.heard.Shown); strings.EqualFold(s.Text, "undo") {
		if n > 0 {
			t.say("%s taken back", t.heard.Shown[n-1].Text)
			t.heard.Shown = t.heard.Shown[:n-1]
		}
		return
	}
	if _, ok := s.read(); !ok {
		t.say("%q is no number with a unit; such as -0.0044 mm", s.Text)
		return
	}
	t.heard.Shown = append(t.heard.Shown, s)
	ps := Guess([]Heard{*t.heard})
	switch {
	case len(ps) == 0:
		t.say("noted; no frame reads so yet")
	case ps[0].Sure():
		t.say("agrees with driver %s: %s; %d frames so far", ps[0].Driver, ps[0].Last, ps[0].Agreed)
	default:
		for _, o := range ps[0].Open {
			t.say("can't tell %s", o)
		}
		if ps[0].Matched < ps[0].Told {
			t.say("If you mistyped, undo takes it back.")
		}
	}
}

// screen shows what comes, a line for each frame, with its time.
type screen struct {
	out  io.Writer
	at   time.Duration
	line []byte
}

func (s *screen) data(at time.Duration, b []byte) {
	for i, c := range b {
		if len(s.line) == 0 {
			s.at = at
		}
		s.line = append(s.line, c)
		last := c == '\n' || (c == '\r' && (i+1 >= len(b) || b[i+1] != '\n')) || c == 3
		if last || len(s.line) >= 64 {
			s.flush()
		}
	}
}

func (s *screen) damaged(at time.Duration) {
	s.flush()
	fmt.Fprintf(s.out, "%10s  (a damaged byte)\n", seconds(at))
}

func (s *screen) flush() {
	if len(s.line) > 0 {
		fmt.Fprintf(s.out, "%10s  %s\n", seconds(s.at), visible(s.line))
	}
	s.line = s.line[:0]
}
