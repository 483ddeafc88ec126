package publish

import (
	"fairbore/analysis"
	"fairbore/daemon/mqtt"
)

// Status is the state of the publisher.
type Status struct {
	mqtt.Status
	Backlog   uint64 // records of the journal not yet acknowledged
	Published uint64 // records acknowledged since the start, repeats included
	Skipped   uint64 // messages that can't be sent: too large, or no usable station name

	// Live values are not counted, since they are meant to be replaced.

	DroppedReplies  uint64 // replies pushed out by newer ones
	RefusedCommands uint64 // too large, retained, or too many at once
}

// Status returns the present state of the publisher.
func (p *Publisher) Status() Status {
	last := p.src.Last()
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.status
	if last > p.acked {
		s.Backlog = last - p.acked
	}
	return s
}

// tell sets the connection state, and tells OnStatus if it changed.
func (p *Publisher) tell(connected bool, why analysis.Phrase) {
	p.mu.Lock()
	change, now := p.status.Set(connected, why), p.status.Status
	p.mu.Unlock()
	if !change {
		return
	}
	now.Log(p.log)
	if p.OnStatus != nil {
		p.OnStatus(p.Status())
	}
}

func (p *Publisher) count(n *uint64) {
	p.mu.Lock()
	*n++
	p.mu.Unlock()
}
