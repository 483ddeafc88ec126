package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/rs/zerolog"

	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/daemon/store"
)

// ErrUnsound says that a journal is not as it was written.
var ErrUnsound = errors.New("the journal is not sound")

// Verify checks a journal's chain and says what it found. A hash, which may be
// empty, is one that a record ends with: it must be that of a row.
func Verify(ctx context.Context, path, hash string, out io.Writer, progress func(done, total uint64)) error {
	r, err := store.Verify(ctx, path, progress)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "journal %s\nrows    %d sound\nhead    %s\n", r.Journal, r.Rows, r.Head)
	for _, f := range r.Faults {
		fmt.Fprintf(out, "fault   %s\n", f)
	}
	if r.Bad != nil {
		fmt.Fprintf(out, "first bad row %d: %s\n", r.Bad.Seq, r.Bad.What)
	}
	if !r.Sound() {
		return fmt.Errorf("%s: %w", path, ErrUnsound)
	}
	if hash != "" {
		seq, err := find(ctx, path, hash)
		if errors.Is(err, store.ErrNoRow) {
			return fmt.Errorf("%s: %w: %w", path, ErrUnsound, err)
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "hash    that of row %d\n", seq)
	}
	fmt.Fprintln(out, "sound")
	return nil
}

func find(ctx context.Context, path, hash string) (seq uint64, err error) {
	j, err := store.View(ctx, path)
	if err != nil {
		return 0, err
	}
	seq, err = j.Find(ctx, hash)
	return seq, errors.Join(err, j.Close())
}

// Export writes what a journal holds, as the options pick, while a daemon may be
// writing to it.
func Export(ctx context.Context, path string, out io.Writer, o store.ExportOptions) error {
	j, err := store.View(ctx, path)
	if err != nil {
		return err
	}
	return errors.Join(j.Export(ctx, out, o), j.Close())
}

// HashPassword reads a password, a line, and writes what the configuration takes for it.
func HashPassword(in io.Reader, out io.Writer) error {
	line, err := bufio.NewReader(io.LimitReader(in, 1024)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	hash, err := broker.Hash(strings.TrimRight(line, "\r\n"))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(out, hash)
	return err
}

// ReplayOptions say how a recording is to be understood.
type ReplayOptions struct {
	Config  *config.Config
	Station string // "": the first
	Job     string // "": the station's
	Part    string // "": counted
	Master  bool   // the first readings are of the job's ring

	Progress func(done, total uint64) // called as the recording plays; may be nil
}

// Replay plays a recording of a port through the station's driver and session,
// and writes the events, a JSON record a line. Times come from the recording, so
// the same recording gives the same bytes.
func Replay(ctx context.Context, path string, out io.Writer, o ReplayOptions) error {
	st, err := o.station()
	if err != nil {
		return err
	}
	ins, err := instruments(o.Config, st)
	if err != nil {
		return err
	}
	l := newLine(st.Gauge, ins[0].decoder, session.New(settings(o.Config, st), nil))
	l.pedal, l.does, l.spindle = ins[0].pedal, ins[0].does, ins[0].spindle
	w := bufio.NewWriter(out)
	r := replayer{line: l, out: json.NewEncoder(w), options: o, job: or(o.Job, st.Job)}
	pc := ins[0].port
	pc.Device, pc.Speed, pc.RecordDir, pc.Progress = "recording:"+path, 0, "", o.Progress
	err = port.New(pc, zerolog.Nop()).Run(ctx, r.chunk)
	return errors.Join(err, r.err, w.Flush())
}

func (o *ReplayOptions) station() (*config.Station, error) {
	if o.Station == "" {
		return &o.Config.Stations[0], nil
	}
	for i := range o.Config.Stations {
		if o.Config.Stations[i].Name == o.Station {
			return &o.Config.Stations[i], nil
		}
	}
	return nil, fmt.Errorf("there is no station %q in the configuration", o.Station)
}

type replayer struct {
	line    *line
	out     *json.Encoder
	options ReplayOptions
	job     string
	begun   bool
	seq     uint64
	err     error
}

func (r *replayer) chunk(c port.Chunk) {
	if !r.begun {
		r.begun = true
		r.begin(session.Stamp(c.At))
	}
	r.write(r.line.take(c))
}

// begin does what an operator would: job, part and mastering.
func (r *replayer) begin(at session.Stamp) {
	actions := []event.Action{{Do: "job", Job: r.job}, {Do: "part", Part: r.options.Part}}
	if r.options.Master {
		actions = append(actions, event.Action{Do: "master", Confirm: true})
	}
	for _, a := range actions {
		a.Source = "replay"
		events, reply := r.line.session.Act(at, a)
		if !reply.Done {
			r.err = errors.Join(r.err, reply.Why)
		}
		r.write(events)
	}
}

func (r *replayer) write(events []event.Event) {
	for _, e := range events {
		r.seq++
		if err := r.out.Encode(event.Record{Journal: "replay", Seq: r.seq, Event: e}); err != nil {
			r.err = errors.Join(r.err, err)
		}
	}
}

func or(s, other string) string {
	if s == "" {
		return other
	}
	return s
}
