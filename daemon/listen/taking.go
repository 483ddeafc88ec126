package listen

import (
	"context"
	"errors"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// askEvery is the interval between requests: long enough for every known gauge that answers one
// (common practice).
const askEvery = 350 * time.Millisecond

// taking collects what passes while the port is open with one setting.
type taking struct {
	*Listener
	line  drivers.Serial
	probe probe
	stays bool          // there is nothing else to try
	limit time.Duration // how long to wait for a gauge

	heard *Heard
	port  *port.Port
	frame []byte        // that is not told yet
	began time.Duration // of that frame

	begun            time.Duration // when it began with this setting, or the port came back
	came, opened, up bool          // something came; the port was open at some time, and is
	lost             error         // newest reason why it is not
	since            time.Duration // when something came last, or the port was opened
	fresh, burst     bool          // something came since the last judgement, and since the last silence
	bursts, got      int           // pieces with silence between them, and bytes in them
	from             int           // number of entries before this setting was set
	found, readable  bool          // frames come whole; what came so far can be read
	spoilt           bool          // what came can't be read with this setting
	opening          int           // number of entries before the newest opening

	stream drivers.Stream
	asker  drivers.Requester
}

// run opens the port and collects until the gauge is found and ctx ends, or until it is clear that
// this is not the setting. It stays with a gauge that is found; found is then true.
func (t *taking) run(ctx context.Context) (found bool, err error) {
	t.heard = t.begin(t.line, t.probe)
	t.from = len(t.heard.Entries) // what came with it before, in an earlier turn, doesn't count against it
	t.tell(Passing{Is: Trying, At: t.at(), Line: t.line, Text: t.probe.says})
	t.since = t.at()
	if t.probe.driver != "" {
		t.stream.Decoder = decoder(t.probe.driver, t.probe.options)
		t.asker, _ = t.stream.Decoder.(drivers.Requester)
	}
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	t.port = port.New(port.Config{Name: "to listen on", Device: t.Device, Line: t.line, Silence: 200 * time.Millisecond, Start: t.start}, t.Log)
	chunks, ended := make(chan port.Chunk, 64), make(chan error, 1)
	go func() {
		err := t.port.Run(within, func(c port.Chunk) {
			c.Data = slices.Clone(c.Data)
			select {
			case chunks <- c:
			case <-within.Done():
			}
		})
		close(chunks)
		ended <- err
	}()
	t.loop(within, chunks)
	cancel()
	for range chunks { // what came while the port closed
	}
	if err = <-ended; err == nil && !t.Patient && t.lost != nil && !t.opened && ctx.Err() == nil {
		err = t.lost
	}
	t.leave()
	return t.found, err
}

// leave notes why the setting is left.
func (t *taking) leave() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.state.Up, t.state.Spoilt = false, drivers.Serial{}
	if t.spoilt {
		t.state.Spoilt = t.line
	}
}

// loop collects until it is time for another setting, or ctx ends.
func (t *taking) loop(ctx context.Context, chunks <-chan port.Chunk) {
	ask, look := time.NewTicker(askEvery), time.NewTicker(100*time.Millisecond)
	defer ask.Stop()
	defer look.Stop()
	for t.begun = t.at(); !t.over(); {
		select {
		case <-ctx.Done():
			return
		case c, ok := <-chunks:
			if !ok {
				return
			}
			t.take(c)
			if !t.Patient && t.lost != nil && !t.opened { // it will hardly come now
				return
			}
			if c.Kind == port.Idle && t.burst {
				t.burst = false
				t.bursts++
				t.judge()
			}
		case <-ask.C:
			if t.asker != nil && t.up {
				t.ask(ctx)
			}
		case <-look.C:
			if t.fresh && t.due() {
				t.judge()
			}
		}
	}
}

// over reports whether it is time for another setting.
func (t *taking) over() bool {
	now := t.at()
	switch {
	case t.Patient && !t.up && t.lost != nil: // it is waited for
		t.begun = now
		return false
	case t.found:
		return !t.Patient && now-t.begun >= 4*t.For
	case t.asker != nil || !t.Patient:
		return now-t.begun >= t.limit || t.spoilt && t.asker == nil
	case t.stays:
		return false
	}
	return t.spoilt || !t.readable && now-t.since >= t.limit
}

// judge works out what the frames are. A line with 7 bits and parity is read with 8 bits and none as
// well, so that the port stays as it is when they turn out to have a parity.
func (t *taking) judge() {
	t.fresh = false
	t.guess()
	t.mu.Lock()
	best, heard, newest := t.state.Best, *t.heard, t.heard.Entries[min(t.from, len(t.heard.Entries)):]
	t.mu.Unlock()
	least := goodFrames
	if t.asker != nil {
		least = 1
	}
	t.readable = best != nil && best.Score >= scoreLeast
	whole := t.readable && best.Agreed >= least
	if modbus(t.probe.driver) { // register replies are always complete
		whole = len(repliesOf(views([]Heard{heard})[0])) > 0
	}
	switch {
	case t.found:
	case whole:
		t.found = true
		t.tell(Passing{Is: Whole, At: t.at(), Line: t.line, Text: t.probe.says})
	default:
		t.spoilt = !t.readable && (t.got < shortest*t.bursts || unreadable(newest, t.bursts))
	}
}

// shortest is the length of the shortest frame: a digit, a point or sign, and an end.
const shortest = 3

// unreadable reports whether bytes that no driver reads were sent with another setting, and not just
// too few: they have characters that no frame has, or there are many.
func unreadable(entries []drivers.Entry, bursts int) bool {
	good, bad := 0, 0
	for _, e := range entries {
		switch {
		case e.Mark == MarkDamaged:
			bad++
		case e.Mark == "" && !e.Out:
			for _, b := range e.Data {
				// The eighth bit may be a parity. Frames have some control characters.
				if b &= 0x7f; b >= ' ' && b < 0x7f || b >= 2 && b <= 6 || b >= 9 && b <= 13 {
					good++
				} else {
					bad++
				}
			}
		}
	}
	return bursts >= 4 || good+bad >= 400 || good+bad >= 3 && bad*4 > good+bad
}

func modbus(driver string) bool { return driver == "modbus-rtu" || driver == "modbus-tcp" }

// take keeps a chunk of the port as evidence and tells it.
func (t *taking) take(c port.Chunk) {
	keep := drivers.Entry{At: c.At.Mono, Wall: c.At.Wall}
	switch c.Kind {
	case port.Data:
		keep.Data = c.Data
		t.came, t.fresh, t.burst, t.since = true, true, true, t.at()
		t.got += len(c.Data)
		t.bytes(c.At.Mono, c.Data)
		if t.asker != nil {
			t.stream.Feed(c.Data, false, func(drivers.Found) {})
		}
	case port.Idle:
		t.flush()
		return
	case port.LineError:
		keep.Mark = MarkDamaged
		t.came, t.fresh, t.burst, t.since = true, true, true, t.at()
		t.flush()
		t.tell(Passing{Is: Damaged, At: c.At.Mono})
	case port.Up:
		keep.Mark, t.opened, t.opening, t.since = drivers.MarkOpened, true, len(t.heard.Entries), t.at()
		t.opens(true, analysis.Phrase{})
	case port.Lost:
		if c.Why.Code == port.ServerSaid { // nothing came from a gauge
			t.opened = false
			t.mu.Lock()
			t.heard.Entries = slices.Clip(t.heard.Entries[:min(t.opening, len(t.heard.Entries))])
			t.mu.Unlock()
		}
		keep.Mark = drivers.MarkLost
		t.opens(false, c.Why)
		if t.opened || t.Patient { // otherwise it is the error, and is told once
			t.tell(Passing{Is: Gone, At: c.At.Mono, Text: notation.Format{}.Say(c.Why)})
		}
		if !t.opened {
			return
		}
	default:
		return
	}
	t.keep(t.heard, keep)
}

// opens notes whether the port is open, and why not.
func (t *taking) opens(up bool, why analysis.Phrase) {
	t.up, t.lost = up, nil
	if !up {
		t.lost = errors.New(notation.Format{}.Say(why))
	}
	t.mu.Lock()
	t.state.Up, t.state.Lost = up, why
	t.mu.Unlock()
}

// ask sends the next request, and notes it.
func (t *taking) ask(ctx context.Context) {
	t.stream.Feed(nil, true, func(drivers.Found) {})
	request := t.asker.Request(nil)
	if len(request) > 0 && t.port.Write(ctx, request) != nil {
		return
	}
	t.keep(t.heard, drivers.Entry{At: t.at(), Wall: t.Now(), Out: true, Data: request})
	if len(request) > 0 {
		t.flush()
		t.tell(Passing{Is: Sent, At: t.at(), Text: visible(request)})
	}
}

// bytes tells what comes, a frame at a time.
func (t *taking) bytes(at time.Duration, b []byte) {
	for i, c := range b {
		if len(t.frame) == 0 {
			t.began = at
		}
		t.frame = append(t.frame, c)
		last := c == '\n' || (c == '\r' && (i+1 >= len(b) || b[i+1] != '\n')) || c == 3
		if last || len(t.frame) >= 64 {
			t.flush()
		}
	}
}

func (t *taking) flush() {
	if len(t.frame) > 0 {
		t.tell(Passing{Is: Came, At: t.began, Text: visible(t.frame)})
	}
	t.frame = t.frame[:0]
}
