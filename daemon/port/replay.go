package port

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"
)

// The marks of a recording that package drivers does not define.
const (
	markIdle      = "idle"
	markLineError = "line error"
	markLines     = "lines "   // followed by the modem lines that are on
	markBecause   = "because " // followed by the Name, or the Why as JSON, of the next mark
)

// replay plays a recording at its own pace times Speed. Each chunk has the times of the recording,
// so two runs give exactly the same chunks.
func (o *owner) replay(ctx context.Context, path string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("port %s: recording: %w", o.cfg.Name, err)
	}
	r, err := drivers.ParseRecording(text)
	switch {
	case errors.Is(err, drivers.ErrTorn), errors.Is(err, drivers.ErrHole):
		o.log.Warn().Err(err).Str("recording", path).Msg("the recording is damaged; only what comes before the damage is played")
	case err != nil:
		return fmt.Errorf("port %s: recording %s: %w", o.cfg.Name, path, err)
	}
	if len(r.Entries) == 0 {
		return fmt.Errorf("port %s: recording %s: there is nothing in it", o.cfg.Name, path)
	}
	begin := time.Now()
	list := playlist(r, o.cfg.Silence)
	for i, c := range list {
		if !o.keepPace(ctx, begin, c.At.Mono) {
			return nil
		}
		o.played(c)
		if o.cfg.Progress != nil {
			o.cfg.Progress(uint64(i+1), uint64(len(list)))
		}
	}
	return nil
}

// keepPace waits until the time at of the recording is due. It returns false if ctx ended.
func (o *owner) keepPace(ctx context.Context, begin time.Time, at time.Duration) bool {
	if o.cfg.Speed == 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(time.Until(begin.Add(time.Duration(float64(at) / o.cfg.Speed))))
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

func (o *owner) played(c Chunk) {
	o.mu.Lock()
	if c.Kind == Up || c.Kind == Lost || c.Kind == End {
		o.status.Up, o.status.Since, o.status.Why = c.Kind == Up, c.At, c.Why
		if c.Kind == Up {
			o.status.Name = c.Name
		}
	}
	o.mu.Unlock()
	switch c.Kind {
	case Up:
		o.count.opens.Add(1)
	case Lost:
		o.count.losses.Add(1)
	case End:
		o.log.Info().Msg("the recording is over")
	}
	o.emit(c)
}

// playlist returns the chunks of a recording.
//
// If the recording has marks of silence, playlist uses these. If it has none, such as a recording
// written by hand, playlist works out the silence from the times of the entries.
func playlist(r *drivers.Recording, silence time.Duration) []Chunk {
	p := player{silence: silence, wall: wallOf(r)}
	if slices.ContainsFunc(r.Entries, func(c drivers.Entry) bool { return c.Mark == markIdle }) {
		p.silence = 0
	}
	for _, c := range r.Entries {
		p.take(c)
	}
	p.idle(p.last.Mono + p.silence)
	p.put(Chunk{At: p.last, Kind: End, Why: analysis.Say("port.recording_over")})
	return p.out
}

type player struct {
	silence time.Duration
	wall    func(drivers.Entry) time.Time
	last    drivers.Moment // time of the latest chunk
	idles   int            // number of Idle chunks that may still follow in this silence
	up      bool
	because string // text of the latest markBecause, for the mark that follows it
	out     []Chunk
}

func (p *player) put(c Chunk) {
	p.last = c.At
	p.out = append(p.out, c)
}

func (p *player) take(c drivers.Entry) {
	if c.Out {
		return
	}
	p.idle(c.At)
	at := drivers.Moment{Wall: p.wall(c), Mono: c.At}
	if because, ok := strings.CutPrefix(c.Mark, markBecause); ok {
		p.because = because
		return
	}
	if !p.up && c.Mark != drivers.MarkOpened && c.Mark != drivers.MarkLost {
		p.opened(at)
	}
	switch {
	case c.Mark == "":
		p.idles = idleMost
		p.put(Chunk{At: at, Data: c.Data})
	case c.Mark == drivers.MarkOpened:
		p.opened(at)
	case c.Mark == drivers.MarkLost:
		p.up, p.idles = false, 0
		p.put(Chunk{At: at, Kind: Lost, Why: p.why()})
	case c.Mark == markIdle:
		p.put(Chunk{At: at, Kind: Idle})
	case c.Mark == markLineError:
		p.idles = idleMost
		p.put(Chunk{At: at, Kind: LineError})
	case strings.HasPrefix(c.Mark, markLines):
		if l, err := parseLines(c.Mark[len(markLines):]); err == nil {
			p.put(Chunk{At: at, Kind: LineState, Lines: l})
		}
	}
}

func (p *player) opened(at drivers.Moment) {
	p.up, p.idles = true, idleMost
	p.put(Chunk{At: at, Kind: Up, Name: cmp.Or(p.because, "recording")})
	p.because = ""
}

// because returns the mark that records a cause.
func because(why analysis.Phrase) string {
	b, err := json.Marshal(why)
	if err != nil { // JSON can't hold a value of the phrase
		return markBecause + why.Error()
	}
	return markBecause + string(b)
}

// why returns the cause of a loss from the mark before it. Old recordings and recordings written by
// hand give the cause in words.
func (p *player) why() (why analysis.Phrase) {
	defer func() { p.because = "" }()
	switch {
	case p.because == "":
		return analysis.Say("port.lost_or_closed")
	case json.Unmarshal([]byte(p.because), &why) == nil && why.Code != "":
		return why
	}
	return analysis.Say("port.failed", p.because)
}

// idle adds the Idle chunks for the silence from the latest chunk to now, as a port emits them.
func (p *player) idle(now time.Duration) {
	for p.silence > 0 && p.idles > 0 && now-p.last.Mono >= p.silence {
		p.idles--
		p.put(Chunk{At: drivers.Moment{Wall: p.last.Wall.Add(p.silence), Mono: p.last.Mono + p.silence}, Kind: Idle})
	}
}

// wallOf returns a function that gives the wall clock of an entry of a recording. An entry that has
// a wall clock keeps it. The wall clock of another entry is counted from the latest entry that has
// one, else from the date of the recording, else from 1970.
func wallOf(r *drivers.Recording) func(drivers.Entry) time.Time {
	zero, err := time.Parse(time.DateOnly, r.Date)
	if err != nil {
		if zero, err = time.Parse(time.RFC3339, r.Date); err != nil {
			zero = time.Unix(0, 0).UTC()
		}
	}
	return func(c drivers.Entry) time.Time {
		if !c.Wall.IsZero() {
			zero = c.Wall.Add(-c.At)
			return c.Wall
		}
		return zero.Add(c.At)
	}
}
