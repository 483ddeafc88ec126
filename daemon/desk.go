package daemon

import (
	"bytes"
	"context"
	"errors"
	"io"

	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
)

// desk makes records and exports for the page.
type desk struct{ d *Daemon }

// partsOnPage is how many parts a record takes in that is made beside the gauging:
// all of them are in memory at once.
const partsOnPage = 1000

// Make implements [web.Records].
func (k desk) Make(ctx context.Context, out io.Writer, w web.Wanted, progress func(done, total uint64)) error {
	path := k.d.cfg.Journal.Path
	sparing := &sparing{out: out, status: k.d.journal.Status}
	f := store.Filter{Station: w.Station, Job: w.Job, Part: w.Part, From: w.From, To: w.To}
	switch w.What {
	case "verify":
		return Verify(ctx, path, "", sparing, progress)
	case "readings", "events":
		err := Export(ctx, path, sparing, store.ExportOptions{Format: store.Format(w.Format), Filter: f, Guard: true, Progress: progress})
		if err == nil && (sparing.lines == 0 || sparing.lines == 1 && w.Format == "csv") {
			err = errors.New("nothing in the journal is like that")
		}
		return err
	}
	return reportBy(ctx, path, sparing, ReportOptions{
		Kind: w.What, Format: w.Format, Paper: w.Paper, Station: w.Station, Job: w.Job, Part: w.Part, From: w.From, To: w.To, Most: partsOnPage,
		Progress: func(done, total int) { progress(uint64(done), uint64(total)) },
	}, k.d.settingsWith)
}

// settingsWith are those that a station has now, or had by the configuration with
// another gauge; false if it is not known any more.
func (d *Daemon) settingsWith(station, gauge string) (state.Settings, bool) {
	if d.hub.view(station) != nil {
		if set := d.hub.settings(station); gauge == "" || set.Gauge.Name == gauge {
			return set, true
		}
	}
	o := ReportOptions{Config: d.cfg}
	return o.settings(station, gauge)
}

// sparing leaves room on the disk for the readings: a large file is given up
// rather than let it fill the disk that the journal needs.
type sparing struct {
	out    io.Writer
	status func() store.Status
	lines  int
	since  int // bytes since the disk was looked at
}

// lookEvery is after how many bytes the disk is looked at.
const lookEvery = 4 << 20

func (s *sparing) Write(p []byte) (int, error) {
	s.lines += bytes.Count(p, []byte{'\n'})
	if s.since += len(p); s.since > lookEvery {
		s.since = 0
		if now := s.status(); !now.Recording || now.Low || now.Reserve {
			return 0, errors.New("the disk is nearly full, and the room that is left is for the readings; make room and try again")
		}
	}
	return s.out.Write(p)
}
