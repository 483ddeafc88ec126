package publish

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// sendRecords sends up to recordsPerPass records, as far as the window allows. It reports whether
// more can be sent at once.
func (l *link) sendRecords(ctx context.Context) (more bool, err error) {
	for range recordsPerPass {
		if l.crowded() {
			return false, nil
		}
		if len(l.queue) == 0 && !l.fill(ctx) {
			return false, nil
		}
		r := &l.queue[0]
		if err := l.sendRecord(r); err != nil {
			return false, err
		}
		l.sent = r.Seq
		l.records++
		l.queue = l.queue[1:]
	}
	return true, nil
}

// crowded reports whether the window is full, or was full and is not yet half empty. Sending one
// record for each acknowledgement would cost two wake-ups and two small writes each time.
func (l *link) crowded() bool {
	switch {
	case l.records >= l.p.cfg.Window:
		l.full = true
	case l.records <= l.p.cfg.Window/2:
		l.full = false
	}
	l.to.gather(l.full)
	return l.full
}

// fill reads the next records. If the journal can't be read the status says so, and the next tick
// tries again.
func (l *link) fill(ctx context.Context) bool {
	if l.sent >= l.p.src.Last() {
		return false
	}
	limited, cancel := context.WithTimeout(ctx, l.p.dialer.Waits.Answer)
	defer cancel()
	recs, err := l.p.src.RawRecords(limited, l.sent, recordsPerPass)
	switch {
	case ctx.Err() != nil:
		return false
	case err != nil:
		l.p.tell(true, analysis.Say("mqtt.journal", err))
		return false
	}
	l.p.tell(true, l.refused)
	l.queue = recs
	return len(recs) > 0
}

// sendRecord sends a record. It skips one that no broker would accept, which would otherwise block
// all later ones.
func (l *link) sendRecord(r *event.Record) error {
	payload, err := r.AppendJSON(l.room(len(r.Body)))
	if err != nil || len(payload) > MaxPayload || !Level(r.Station) {
		l.p.log.Error().Err(err).Uint64("seq", r.Seq).Str("station", r.Station).Int("bytes", len(payload)).
			Msg("record can't be published, it stays in the journal only")
		l.fly(flying{seq: r.Seq, skipped: true})
		return nil
	}
	return l.send(Topic(l.p.cfg.Site, r.Station, LeafOf(r.Kind)), false, payload, r.Seq, nil)
}

// room returns a buffer for a record whose event has so many bytes. Each record has its own, since
// a connection may keep a payload until it is acknowledged.
func (l *link) room(body int) []byte {
	if _, free := l.to.(local); !free {
		return make([]byte, 0, body+96)
	}
	l.buf = slices.Grow(l.buf[:0], body+96)
	return l.buf
}

// outgoing is a message taken from a slot or a queue.
type outgoing struct {
	topic   string
	retain  bool
	payload []byte
	landed  func()
}

// sendStates sends replies, and the bores and the head whose records have been sent.
func (l *link) sendStates() error {
	for _, o := range l.takeStates() {
		if err := l.send(o.topic, o.retain, o.payload, 0, o.landed); err != nil {
			return err
		}
	}
	return nil
}

func (l *link) takeStates() (out []outgoing) {
	p := l.p
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.replies {
		if r.no <= l.replied {
			continue // it is already on its way
		}
		l.replied = r.no
		out = append(out, outgoing{topic: Topic(p.cfg.Site, r.station, LeafDone), payload: r.payload, landed: func() { p.replyLanded(r.no) }})
	}
	for _, name := range p.cfg.Stations {
		b := &p.slots[name].bore
		if payload := b.take(l.sent); payload != nil {
			out = append(out, outgoing{Topic(p.cfg.Site, name, LeafBore), true, payload, b.landed})
		}
	}
	if payload := p.head.take(l.sent); payload != nil {
		out = append(out, outgoing{Topic(p.cfg.Site, p.cfg.Journal, LeafHead), true, payload, p.head.landed})
	}
	return out
}

// replyLanded removes an acknowledged reply from the queue. p.mu must be held.
func (p *Publisher) replyLanded(no uint64) {
	for len(p.replies) > 0 && p.replies[0].no <= no {
		p.replies = p.replies[1:]
	}
}

// sendLive sends the newest live value of each station for which it is due. It returns the time
// until the next is due, 0 if none waits.
func (l *link) sendLive(now time.Time) (next time.Duration, err error) {
	out, next := l.takeLive(now)
	for _, o := range out {
		payload, err := json.Marshal(o.value)
		if err != nil || l.p.tooLarge(o.station, LeafLive, payload) {
			continue
		}
		// It is written soon, or lost with the connection.
		if _, err := l.to.Publish(Topic(l.p.cfg.Site, o.station, LeafLive), 0, false, payload); err != nil {
			return 0, err
		}
	}
	return next, nil
}

// shown is what the gauge of a station shows.
type shown struct {
	station string
	value   any
}

func (l *link) takeLive(now time.Time) (out []shown, next time.Duration) {
	p := l.p
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, name := range p.cfg.Stations {
		s := p.slots[name]
		if s.live == nil {
			continue
		}
		if wait := s.liveNext.Sub(now); wait > 0 {
			if next == 0 || wait < next {
				next = wait
			}
			continue
		}
		out = append(out, shown{name, s.live})
		s.live, s.liveNext = nil, now.Add(p.every.live)
	}
	return out, next
}
