package archive

import (
	"bytes"
	"context"
	"errors"
	"io"

	"fairbore/daemon/store"
	"fairbore/daemon/web/export"
)

// Exporter makes records and exports for the page, beside the gauging.
type Exporter struct {
	Path     string // of the journal
	Status   func() store.Status
	Settings Settings
}

// partsOnPage is how many parts a record takes in that is made beside the gauging:
// all of them are in memory at once.
const partsOnPage = 1000

// Make implements [export.Maker].
func (e Exporter) Make(ctx context.Context, out io.Writer, w export.Wanted, progress func(done, total uint64)) error {
	sparing := &sparing{out: out, status: e.Status}
	f := store.Filter{Station: w.Station, Job: w.Job, Part: w.Part, From: w.From, To: w.To}
	switch w.What {
	case "verify":
		return Verify(ctx, e.Path, "", sparing, progress)
	case "readings", "events":
		err := Export(ctx, e.Path, sparing, store.ExportOptions{Format: store.Format(w.Format), Filter: f, Guard: true, Progress: progress})
		if err == nil && (sparing.lines == 0 || sparing.lines == 1 && w.Format == "csv") {
			err = errors.New("nothing in the journal is like that")
		}
		return err
	}
	return Report(ctx, e.Path, sparing, ReportOptions{
		Kind: w.What, Format: w.Format, Paper: w.Paper, Station: w.Station, Job: w.Job, Part: w.Part, From: w.From, To: w.To, Most: partsOnPage, Settings: e.Settings,
		Progress: func(done, total int) { progress(uint64(done), uint64(total)) },
	})
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
