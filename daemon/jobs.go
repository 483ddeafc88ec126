package daemon

import (
	"context"
	"maps"
	"slices"
	"sync"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/daemon/archive"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
	"fairbore/daemon/web/jobform"
)

// enteredJobs holds the jobs entered at a machine, by id, each in its newest version. The journal
// keeps the jobs. The journal is read when the jobs are first needed.
type enteredJobs struct {
	mu   sync.Mutex
	read bool
	by   map[string]*analysis.Job
}

// committed takes in jobs that are now on disk.
func (e *enteredJobs) committed(records []event.Record) {
	for i := range records {
		if r := &records[i]; r.Kind == event.JobChosen && r.Entered {
			e.mu.Lock()
			e.put(r.Job, true)
			e.mu.Unlock()
		}
	}
}

func (e *enteredJobs) put(j *analysis.Job, newer bool) {
	if e.by == nil {
		e.by = map[string]*analysis.Job{}
	}
	if _, ok := e.by[j.ID]; newer || !ok {
		e.by[j.ID] = j
	}
}

// all returns the jobs by id. The map belongs to the caller, the jobs do not.
func (e *enteredJobs) all(ctx context.Context, j *store.Journal) (map[string]*analysis.Job, error) {
	e.mu.Lock()
	read := e.read
	e.mu.Unlock()
	if !read { // without the lock, since the journal's writer must not wait
		past := map[string]*analysis.Job{}
		for r, err := range j.Query(ctx, store.Filter{Kinds: []event.Kind{event.JobChosen}}) {
			if err != nil {
				return nil, err
			}
			if r.Entered {
				past[r.Job.ID] = r.Job
			}
		}
		e.mu.Lock()
		for _, j := range past { // jobs that were committed meanwhile are newer, and stay
			e.put(j, false)
		}
		e.read = true
		e.mu.Unlock()
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	return maps.Clone(e.by), nil
}

// jobs lists the jobs that a station can work to, or all jobs if station is "". The jobs of the
// configuration come first. The jobs entered at a machine follow, except those that the
// configuration has too.
func (d *Daemon) jobs(station string) []*analysis.Job {
	if station == "" && len(d.stations) > 0 {
		station = d.stations[0].name // every station knows all jobs
	}
	set, ok := d.hub.Settings(station)
	if !ok {
		return nil
	}
	var out []*analysis.Job
	for _, id := range slices.Sorted(maps.Keys(set.Jobs)) {
		out = append(out, set.Jobs[id])
	}
	more, err := d.entered.all(context.Background(), d.journal)
	if err != nil {
		d.log.Error().Err(err).Msg("jobs entered at a machine")
	}
	for _, id := range slices.Sorted(maps.Keys(more)) {
		if _, ok := set.Jobs[id]; !ok {
			out = append(out, more[id])
		}
	}
	return out
}

// recall completes an action with what the journal knows and the session does not: a job entered
// earlier, what stands of a finished part, and where a part was sent to rework.
func (d *Daemon) recall(ctx context.Context, station string, a event.Action) (event.Action, error) {
	var err error
	switch {
	case a.Do == "job":
		a = d.recallJob(ctx, station, a)
	case a.Supersedes != 0:
		a.Standing, err = archive.Standing(ctx, d.journal, station, a.Job, a.Part, a.Supersedes)
	case a.Do == "part" && a.Part != "":
		if b := d.hub.Bore(station); b != nil && b.Job != nil {
			a.Job = b.Job.ID
			a.Earlier, err = archive.ToContinue(ctx, d.journal, a.Job, a.Part)
		}
	}
	return a, err
}

func (d *Daemon) recallJob(ctx context.Context, station string, a event.Action) event.Action {
	if a.Spec != nil || a.Job == "" {
		return a
	}
	set, _ := d.hub.Settings(station)
	if _, ok := set.Jobs[a.Job]; ok {
		return a
	}
	if all, err := d.entered.all(ctx, d.journal); err == nil { // otherwise the session says that there is no such job
		a.Spec = all[a.Job]
	}
	return a
}

// entry returns what the pages need to accept a new job.
func (d *Daemon) entry() *jobform.Entry {
	return &jobform.Entry{
		Check: func(station string, j *analysis.Job) []error {
			set, _ := d.hub.Settings(station)
			return set.CheckJob(j)
		},
		Rings: func(station string) []*analysis.Ring {
			set, _ := d.hub.Settings(station)
			out := make([]*analysis.Ring, 0, len(set.Rings))
			for _, id := range slices.Sorted(maps.Keys(set.Rings)) {
				out = append(out, set.Rings[id])
			}
			return out
		},
		Materials: material.Names(),
	}
}
