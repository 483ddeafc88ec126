package daemon

import (
	"context"
	"fmt"

	"fairbore/daemon/report"
	"fairbore/daemon/session"
	"fairbore/daemon/store"
)

// partRecord gathers what the journal has of a part: the newest with that serial
// number at the station.
func (d *Daemon) partRecord(ctx context.Context, station, serial string) (report.Part, error) {
	parts, err := d.journal.Parts(ctx, store.Filter{Station: station, Part: serial, Limit: 1})
	if err != nil {
		return report.Part{}, err
	}
	if len(parts) == 0 {
		return report.Part{}, fmt.Errorf("the journal has no part %q of station %s", serial, station)
	}
	fold := session.Fold{}
	past, err := d.before(ctx, station, parts[0].Seq)
	if err != nil {
		return report.Part{}, err
	}
	for i := range past {
		fold.Apply(&past[i].Event)
	}
	p := report.Part{}
	for r, err := range d.journal.Query(ctx, store.Filter{Station: station, Part: serial, AfterSeq: parts[0].Seq - 1}) {
		if err != nil {
			return report.Part{}, err
		}
		fold.Apply(&r.Event)
		p.Records = append(p.Records, r)
	}
	set := d.hub.settings(station)
	p.Bore = fold.Bore(&set, parts[0].Last)
	return p, nil
}

// before returns the job and mastering in force when a part was begun.
func (d *Daemon) before(ctx context.Context, station string, seq uint64) ([]session.Record, error) {
	var job, master *session.Record
	for r, err := range d.journal.Query(ctx, store.Filter{Station: station, Kinds: []session.Kind{session.JobChosen, session.Mastered}}) {
		switch {
		case err != nil:
			return nil, err
		case r.Seq >= seq:
		case r.Kind == session.JobChosen:
			job = &r
		default:
			master = &r
		}
	}
	var past []session.Record
	if job != nil {
		past = append(past, *job)
	}
	if master != nil {
		past = append(past, *master)
	}
	return past, nil
}
