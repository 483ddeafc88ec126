// Package demo plays a shop: simulated gauges send to the real program, and a simulated operator
// does what the page says.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis/capture"
	"fairbore/configs"
	"fairbore/daemon"
	"fairbore/daemon/archive"
	"fairbore/daemon/config"
	"fairbore/drivers/simulator"
)

// Options say how the demo is played.
type Options struct {
	Once    bool    // one part to its acceptance, then its record
	Speed   float64 // how many times faster than real time
	Job     string  // "": all jobs, each at its station; with Once the sleeve
	Listen  string  // of the page
	MQTT    string  // of the embedded broker
	Capture string  // button or turning; "": turning, if the speed is low enough for it
	Seed    uint64  // 0: from the clock
	Keep    string  // folder to leave the journal and the configuration in; "": nothing is left
	Version string
	Out     io.Writer
	Steps   bool // tell each step on Out, and not only advice and verdicts
	Log     zerolog.Logger

	nearly  bool           // parts have little left to hone
	visited func(*visited) // is told what became of each visit to a place; nil: nobody
}

// turningMost is the highest speed at which a streaming gauge's samples keep their times well
// enough to find the turns of rocking, on a machine that has other work too.
const turningMost = 4

// The lowest and the highest speed. At a higher one the presses of a button come faster than the
// page can be read.
const (
	slowest = 0.1
	fastest = 1000.0
)

// capture returns how the demo's readings are captured.
func (o *Options) capture() string {
	switch {
	case o.Capture != "":
		return o.Capture
	case o.Speed > turningMost:
		return capture.Button.String()
	}
	return capture.Turning.String()
}

// usualJob is the job for Once if none is named: the hardened sleeve, which is honed to 25 to 50
// millionths.
const usualJob = "J-4112"

// Play plays a shop with invented jobs. Simulated gauges send over pseudo-terminals to the real
// program, which has its journal in a temporary folder, its own broker and its page. A simulated
// operator masters, gauges round by round and accepts.
func Play(ctx context.Context, o Options) (err error) {
	if !(o.Speed >= slowest && o.Speed <= fastest) { // also refuses NaN
		return fmt.Errorf("speed %v is out of range: give %v to %v, such as 1 (real time) or 20", o.Speed, slowest, fastest)
	}
	if o.Once && o.Job == "" {
		o.Job = usualJob
	}
	if o.Seed == 0 {
		o.Seed = uint64(time.Now().UnixNano())
	}
	dir, err := o.folder()
	if err != nil {
		return err
	}
	if o.Keep == "" {
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	cfg, err := config.Parse("demo.yaml", configs.Demo)
	if err != nil {
		return err
	}
	cfg.Journal.Path = filepath.Join(dir, "journal.db")
	cfg.Web.Listen, cfg.Broker.Embedded.Listen, cfg.Broker.Embedded.Anonymous = o.Listen, o.MQTT, true
	operators, err := cast(cfg, o)
	if err != nil {
		return err
	}
	for _, p := range operators {
		defer p.line.Close()
	}
	d, err := daemon.NewAtSpeed(ctx, cfg, o.Version, o.Log, o.Speed)
	if err != nil {
		return err
	}
	return run(ctx, d, cfg, operators, o)
}

// folder makes the folder for the journal. If it is kept it also gets the configuration, so that a
// report can be made from both.
func (o *Options) folder() (string, error) {
	if o.Keep == "" {
		return os.MkdirTemp("", "fairbore-demo-")
	}
	if err := os.MkdirAll(o.Keep, 0o755); err != nil {
		return "", err
	}
	return o.Keep, os.WriteFile(filepath.Join(o.Keep, "demo.yaml"), configs.Demo, 0o644)
}

// cast gives each station that plays a line and an operator, and removes the other stations.
func cast(cfg *config.Config, o Options) ([]*operator, error) {
	var operators []*operator
	story := &narrator{out: o.Out, all: o.Steps}
	var stations []config.Station
	for _, st := range cfg.Stations {
		if o.Job != "" && st.Job != o.Job {
			continue
		}
		job, err := simulator.FindJob(st.Job)
		if err != nil {
			return nil, err
		}
		line, device, err := openLine()
		if err != nil {
			return nil, fmt.Errorf("open a line for the demo: %w", err)
		}
		st.Port = device
		st.Capture = o.capture()
		stations = append(stations, st)
		operators = append(operators, &operator{station: st.Name, title: st.Title, job: job, line: line, options: &o, story: story})
	}
	if operators == nil {
		_, err := simulator.FindJob(o.Job)
		return nil, err
	}
	cfg.Stations, story.follows = stations, followed(operators)
	return operators, nil
}

func run(ctx context.Context, d *daemon.Daemon, cfg *config.Config, operators []*operator, o Options) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	select {
	case <-d.Ready():
	case err := <-ended:
		return err
	}
	operators[0].story.opening(d, operators, &o)
	var playing sync.WaitGroup
	errs := make([]error, len(operators))
	for i, p := range operators {
		playing.Go(func() { errs[i] = p.work(ctx, d) })
	}
	played := make(chan struct{})
	go func() { playing.Wait(); close(played) }()
	var err error
	select {
	case <-played:
		if o.Once && ctx.Err() == nil {
			err = printRecords(ctx, cfg, operators, o.Out)
		}
	case err = <-ended:
		ended <- nil
	}
	cancel()
	<-played
	return errors.Join(append(errs, err, <-ended)...)
}

func printRecords(ctx context.Context, cfg *config.Config, operators []*operator, out io.Writer) error {
	for _, p := range operators {
		fmt.Fprintln(out)
		if err := archive.Report(ctx, cfg.Journal.Path, out, archive.ReportOptions{Station: p.station, Part: p.part}); err != nil {
			return err
		}
	}
	return nil
}
