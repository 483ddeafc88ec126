package archive

import (
	"bytes"
	"context"
	"io"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
	"fairbore/daemon/web/export"
)

// Exporter makes records and exports for the page while gauging goes on.
type Exporter struct {
	Path   string // path of the journal
	Status func() store.Status
	Sign   func(*event.Head) // see [ReportOptions]
}

// partsOnPage is the largest number of parts in a record that is made while gauging goes on, since
// all of them are in memory at once.
const partsOnPage = 1000

// Make implements [export.Maker].
func (e Exporter) Make(ctx context.Context, out io.Writer, w export.Wanted, progress func(done, total uint64)) error {
	guarded := &diskGuard{out: out, status: e.Status}
	f := store.Filter{Station: w.Station, Job: w.Job, Part: w.Part, From: w.From, To: w.To}
	switch w.What {
	case "verify":
		return Verify(ctx, e.Path, "", guarded, progress)
	case "readings", "events":
		err := Export(ctx, e.Path, guarded, store.ExportOptions{Format: store.Format(w.Format), Filter: f, Guard: true, Progress: progress})
		if err == nil && w.Format != string(workbook) && (guarded.lines == 0 || guarded.lines == 1 && w.Format == "csv") {
			err = analysis.Say("page.order.nothing")
		}
		return err
	}
	return Report(ctx, e.Path, guarded, ReportOptions{
		Kind: w.What, Format: w.Format, Paper: w.Paper, Station: w.Station, Job: w.Job, Part: w.Part, Seq: w.Seq, From: w.From, To: w.To, Most: partsOnPage, Sign: e.Sign, Language: w.Language,
		Progress: func(done, total int) { progress(uint64(done), uint64(total)) },
	})
}

// diskGuard is a writer that fails before the disk is full, so that a large file can't take the
// room that the journal needs.
type diskGuard struct {
	out    io.Writer
	status func() store.Status
	lines  int
	since  int // bytes written since the room was last measured
}

// lookEvery is after how many bytes the room on the disk is measured.
const lookEvery = 4 << 20

func (s *diskGuard) Write(p []byte) (int, error) {
	s.lines += bytes.Count(p, []byte{'\n'})
	if s.since += len(p); s.since > lookEvery {
		s.since = 0
		if now := s.status(); !now.Recording || now.Low || now.Reserve {
			return 0, analysis.Say("page.order.disk")
		}
	}
	return s.out.Write(p)
}
