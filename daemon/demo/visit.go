package demo

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers/simulator"
)

// visited is a visit of the operator's gauge to a place of the bore, and what the program made of
// it.
type visited struct {
	part  string
	place analysis.Place
	size  analysis.Length // true size at 20 °C, the shop's temperature
	took  []*event.Reading
	why   string // why nothing was taken
}

// triesMost is how often a place is gauged before the operator gives up.
const triesMost = 25

// visitPlace gauges a place until its size is taken. A visit that is refused is repeated.
func (p *operator) visitPlace(ctx context.Context, place analysis.Place) error {
	var v visited
	for range triesMost {
		if ctx.Err() != nil {
			return nil
		}
		size := p.bore.Size(place)
		events, err := p.visit(ctx, simulator.Measure, size)
		if err != nil {
			return fmt.Errorf("at %s: %w", place, err)
		}
		v = visited{part: p.part, place: place, size: size, why: p.hint}
		if err := p.look(ctx, &v, events); err != nil {
			return err
		}
		if p.options.visited != nil {
			p.options.visited(&v)
		}
		if len(v.took) > 0 {
			return nil
		}
		p.story.again(p, v.place, v.why)
	}
	return fmt.Errorf("at %s nothing was taken in %d visits: %s", place, triesMost, v.why)
}

// look finds out what came of a visit. A reading taken for another place is voided.
func (p *operator) look(ctx context.Context, v *visited, events []event.Record) error {
	for i := range events {
		switch e := &events[i]; e.Kind {
		case event.Taken:
			if e.Reading.Unexpected && e.Reading.Place == v.place { // gauge the place again, as the page asks
				v.why = e.Reading.Ask.Text
				continue
			}
			v.took = append(v.took, e.Reading)
			if e.Reading.Place != v.place {
				a := event.Action{Do: "void", Reading: e.Reading.No, Reason: "the gauge was at " + v.place.String()}
				if err := p.do(ctx, a); err != nil {
					return err
				}
			}
		case event.Refused:
			v.why = e.Refused.Reason.Text
		}
	}
	return nil
}

// readRing reads the ring, to master or to check the zero. A failed check or mastering is followed
// by a mastering.
func (p *operator) readRing(ctx context.Context, do string) error {
	if err := p.do(ctx, event.Action{Do: do, Of: ringReadings, Confirm: true}); err != nil {
		return err
	}
	why := ""
	for range triesMost {
		b, err := p.fresh(ctx)
		if err != nil || ctx.Err() != nil {
			return err
		}
		if b.Master.Running == nil {
			return nil
		}
		why = b.Why.Error()
		if _, err := p.visit(ctx, simulator.Master, p.job.Master.Size); err != nil {
			return fmt.Errorf("%s: %w", do, err)
		}
	}
	return fmt.Errorf("%s: the ring was not read in %d visits: %s", do, triesMost, why)
}

// ringReadings is how often the demo reads a ring.
const ringReadings = 3

// visit plays a visit of the gauge and returns the events that followed.
func (p *operator) visit(ctx context.Context, act simulator.Act, size analysis.Length) ([]event.Record, error) {
	p.watch() // skip the events of earlier visits
	p.hint = ""
	p.visits++
	p.start()
	var events []event.Record
	var sent time.Time
	var err error
	p.job.Gauging(p.play, act, size, p.random(fmt.Sprint("visit ", p.visits)), func(c simulator.Frame) (tone bool) {
		if p.until(ctx, c.At); ctx.Err() != nil || err != nil {
			return true
		}
		sent = p.d.Now()
		_, err = p.line.Write(c.Bytes)
		events = append(events, p.watch()...)
		return len(events) > 0 && events[len(events)-1].Kind != event.Refused
	})
	if ctx.Err() != nil || err != nil {
		return nil, err
	}
	return p.outcome(ctx, sent, events)
}

// patience is how long the operator waits for the page, which may lag on a busy machine.
const patience = 20 * time.Second

// outcome waits until the program has handled everything that the gauge sent. It returns the events
// of the visit, including those seen before. A press of the button always has an event.
func (p *operator) outcome(ctx context.Context, sent time.Time, events []event.Record) ([]event.Record, error) {
	late := time.Now().Add(patience)
	seen, settled := false, time.Time{}
	for ; ctx.Err() == nil; p.sleep(ctx, 2*time.Millisecond) {
		events = append(events, p.watch()...)
		seen = seen || !p.live.At.Before(sent)
		switch {
		case len(events) > 0 && seen && (p.play.Button || !p.live.InBore):
			return events, nil
		case seen && !p.play.Button && p.d.Queued() == 0:
			if settled.IsZero() {
				settled = time.Now()
			}
			if time.Since(settled) > 100*time.Millisecond { // the page may lag behind the disk
				return events, nil
			}
		}
		if time.Now().After(late) {
			return nil, errors.New("the program shows nothing of what the gauge sent")
		}
	}
	return nil, nil
}

// watch reads the new events of the station, and returns those of the gauge.
func (p *operator) watch() (events []event.Record) {
	_, lives, records := p.sub.Take()
	for _, l := range lives {
		p.live = l
		if !l.Hint.IsZero() {
			p.hint = l.Hint.Error()
		}
	}
	for _, r := range records {
		p.seq = r.Seq
		p.story.happened(p, &r.Event)
		switch r.Kind {
		case event.Taken, event.Refused, event.RingRead:
			events = append(events, r)
		}
	}
	return events
}

// fresh returns the state of the bore, with all events that were seen so far.
func (p *operator) fresh(ctx context.Context) (*state.Bore, error) {
	p.watch()
	for late := time.Now().Add(patience); ctx.Err() == nil; p.sleep(ctx, 2*time.Millisecond) {
		if b := p.d.Bore(p.station); b.Seq >= p.seq {
			return b, nil
		}
		if time.Now().After(late) {
			return nil, errors.New("the page lags behind what is recorded")
		}
	}
	return nil, nil
}
