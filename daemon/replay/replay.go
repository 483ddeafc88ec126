// Package replay plays a recording of a port through the driver and the session, as the program
// would have handled the bytes live.
package replay

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/rs/zerolog"

	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/line"
	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/daemon/setup"
	"fairbore/drivers"
)

// Options say how to interpret a recording.
type Options struct {
	Config  *config.Config
	Station string // name of the station; "": the first station
	Job     string // the job; "": the job of the station
	Part    string // the part; "": the next number of the count
	Master  bool   // the first readings are of the ring of the job

	Progress func(done, total uint64) // called as the recording plays; may be nil
	Log      zerolog.Logger           // is told of damage to the recording
}

// Run plays a recording of a port through the driver and the session of the station. It writes the
// events as JSON records, one on each line. The times come from the recording, so the same
// recording always gives the same bytes.
func Run(ctx context.Context, path string, out io.Writer, o Options) error {
	st, err := o.station()
	if err != nil {
		return err
	}
	ins, err := setup.Instruments(o.Config, st)
	if err != nil {
		return err
	}
	set := setup.Settings(o.Config, st)
	set.Simulated = true
	set.People = nil // a recording of a gauge does not tell who worked there
	s := session.New(set, nil)
	w := bufio.NewWriter(out)
	r := player{session: s, line: line.New(ins[0], s), out: json.NewEncoder(w), options: o, job: cmp.Or(o.Job, st.Job)}
	pc := ins[0].Port
	pc.Device, pc.Speed, pc.RecordDir, pc.Progress = "recording:"+path, 0, "", o.Progress
	err = port.New(pc, o.Log).Run(ctx, r.chunk)
	return errors.Join(err, r.err, w.Flush())
}

func (o *Options) station() (*config.Station, error) {
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

type player struct {
	session *session.Session
	line    *line.Line
	out     *json.Encoder
	options Options
	job     string
	begun   bool
	seq     uint64
	err     error
}

func (r *player) chunk(c port.Chunk) {
	if !r.begun {
		r.begun = true
		r.begin(c.At)
	}
	r.write(r.line.Take(c))
}

// begin does what an operator would do first: it chooses the job, the part and the mastering.
func (r *player) begin(at drivers.Moment) {
	actions := []event.Action{{Do: "job", Job: r.job}, {Do: "part", Part: r.options.Part}}
	if r.options.Master {
		actions = append(actions, event.Action{Do: "master", Confirm: true})
	}
	for _, a := range actions {
		a.Source = "replay"
		events, reply := r.session.Act(at, a)
		if !reply.Done {
			r.err = errors.Join(r.err, reply.Why)
		}
		r.write(events)
	}
}

func (r *player) write(events []event.Event) {
	for _, e := range events {
		r.seq++
		if err := r.out.Encode(event.Record{Journal: "replay", Seq: r.seq, Event: e}); err != nil {
			r.err = errors.Join(r.err, err)
		}
	}
}
