package listen

import (
	"bytes"
	"time"

	"fairbore/drivers"
)

// candidate is a driver with options, to be tried on a view.
type candidate struct {
	driver  string
	options drivers.Options
	view    *view
	rank    int  // preference among those that read the same, lowest first
	blind   bool // the bytes alone don't decide the value; the display must
	replies []reply
}

// outcome is the result of a candidate on a view.
type outcome struct {
	*candidate
	good, bad int
	frames    []framed
	rejects   map[drivers.Reason]int
	words     []string // frames with an unknown text in place of the number
}

// framed are the samples of one frame.
type framed struct {
	at      time.Duration
	text    string
	samples []drivers.Sample
}

// score returns the share of frames that agreed, of those that should have.
func (o *outcome) score() float64 {
	if o.good == 0 {
		return 0
	}
	return float64(o.good) / float64(o.good+o.bad)
}

// weight returns the score, reduced if it is based on few frames.
func (o *outcome) weight() float64 { return o.score() * float64(o.good) / float64(o.good+2) }

// play passes the view through the candidate's driver, as a station would.
func (c *candidate) play() *outcome {
	o := &outcome{candidate: c, rejects: map[drivers.Reason]int{}}
	if c.replies != nil {
		o.playReplies()
		return o
	}
	dec := c.view.decoder(c.driver, c.options)
	if dec == nil {
		return o
	}
	p := player{outcome: o, stream: drivers.Stream{Decoder: dec}}
	if s, ok := dec.(drivers.Pauser); ok {
		p.pause = s.Pause()
	}
	for _, entry := range c.view.entries {
		p.take(entry)
	}
	p.silence(p.last + time.Hour)
	return o
}

// player passes entries to the stream of a driver.
type player struct {
	*outcome
	stream  drivers.Stream
	pause   time.Duration
	last    time.Duration
	damaged bool
}

func (p *player) take(c drivers.Entry) {
	p.silence(c.At)
	p.last = c.At
	switch {
	case c.Out && len(c.Data) > 0:
		p.ask(c.Data)
	case c.Mark == drivers.MarkOpened || c.Mark == drivers.MarkLost:
		p.stream.Reset(p.found)
		p.damaged = false
	case c.Mark == MarkDamaged:
		p.damaged = true
	case c.Mark == "" && !c.Out:
		p.stream.Feed(c.Data, false, p.found)
	}
}

// silence tells the driver of the silence so far, as a port does.
func (p *player) silence(now time.Duration) {
	for n := 1; p.pause > 0 && n <= 3 && now-p.last >= time.Duration(n)*p.pause; n++ {
		p.stream.Feed(nil, true, p.found)
	}
}

// ask lets the driver ask, repeatedly if it begins by listening.
func (p *player) ask(sent []byte) {
	r, ok := p.stream.Decoder.(drivers.Requester)
	for range 3 {
		if !ok || bytes.Equal(r.Request(nil), sent) {
			return
		}
	}
}

func (p *player) found(f drivers.Found) {
	if p.damaged && f.Reject == "" {
		p.damaged = false
		f.Reject = drivers.LineError
	}
	p.add(p.last, f)
}

// add counts one outcome of the stream.
func (o *outcome) add(at time.Duration, f drivers.Found) {
	switch f.Reject {
	case "":
		o.good++
		fr := framed{at: at, text: string(f.Frame)}
		for _, s := range f.Samples {
			s.Raw = nil
			fr.samples = append(fr.samples, s)
		}
		o.frames = append(o.frames, fr)
		return
	case drivers.Cut, drivers.OverRange, drivers.GaugeError, drivers.NotAsked:
	case drivers.NoNumber:
		if bytes.ContainsAny(f.Frame, "0123456789") { // it is not a word in place of the number
			o.bad++
			break
		}
		o.words = append(o.words, string(f.Frame))
	default:
		o.bad++
	}
	o.rejects[f.Reject]++
}
