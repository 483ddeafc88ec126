package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/configs"
	"fairbore/daemon/config"
	"fairbore/daemon/report"
	"fairbore/daemon/session"
	"fairbore/drivers/simulator"
)

// DemoOptions say how the demo is played.
type DemoOptions struct {
	Once    bool    // one part to its acceptance, then its record
	Speed   float64 // how much faster than life
	Job     string  // "": all jobs, each at its station; with Once the sleeve
	Listen  string  // of the page
	MQTT    string  // of the embedded broker
	Capture string  // button or turning; "": turning where the pace leaves the samples their times
	Seed    uint64  // 0: from the clock
	Keep    string  // a folder to leave the journal and the configuration in; "": nothing is left
	Version string
	Out     io.Writer
	Log     zerolog.Logger
}

// turnable is the pace up to which a streamed gauge's samples keep their times
// well enough, on a machine that has other work too, to find the turns of a rock.
const turnable = 4

// capture is how the demo's readings are captured.
func (o *DemoOptions) capture() string {
	switch {
	case o.Capture != "":
		return o.Capture
	case o.Speed > turnable:
		return capture.Button.String()
	}
	return capture.Turning.String()
}

// demoOnce is the job that --once plays when none is named: the hardened
// sleeve, the one of 25 to 50 millionths.
const demoOnce = "J-4112"

// Demo plays invented jobs: simulated gauges send over pseudo-terminals to the
// real program, with its journal in a temporary folder, its own broker and its
// page, while a played operator masters, gauges round by round and accepts.
func Demo(ctx context.Context, o DemoOptions) (err error) {
	if o.Speed <= 0 {
		return fmt.Errorf("speed %v: want more than 0, such as 1 or 20", o.Speed)
	}
	if o.Once && o.Job == "" {
		o.Job = demoOnce
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
	players, err := castDemo(cfg, o)
	if err != nil {
		return err
	}
	for _, p := range players {
		defer p.line.Close()
	}
	d, err := open(ctx, cfg, o.Version, o.Log, o.Speed)
	if err != nil {
		return err
	}
	return playDemo(ctx, d, players, o)
}

// folder makes the one for the journal. One that is kept has the configuration
// beside it, so that a report can be made from both.
func (o *DemoOptions) folder() (string, error) {
	if o.Keep == "" {
		return os.MkdirTemp("", "fairbore-demo-")
	}
	if err := os.MkdirAll(o.Keep, 0o755); err != nil {
		return "", err
	}
	return o.Keep, os.WriteFile(filepath.Join(o.Keep, "demo.yaml"), configs.Demo, 0o644)
}

// castDemo gives each station that plays its line and its job; stations that
// don't play are taken out.
func castDemo(cfg *config.Config, o DemoOptions) ([]*player, error) {
	var players []*player
	var stations []config.Station
	for _, st := range cfg.Stations {
		if o.Job != "" && st.Job != o.Job {
			continue
		}
		job, err := simulator.FindJob(st.Job)
		if err != nil {
			return nil, err
		}
		line, device, err := demoLine()
		if err != nil {
			return nil, fmt.Errorf("open a line for the demo: %w", err)
		}
		st.Port = device
		st.Capture = o.capture()
		stations = append(stations, st)
		rng := rand.New(rand.NewPCG(o.Seed, uint64(len(players))))
		players = append(players, &player{station: st.Name, job: job, line: line, rng: rng, options: o, capture: st.Capture})
	}
	if players == nil {
		_, err := simulator.FindJob(o.Job)
		return nil, err
	}
	cfg.Stations = stations
	return players, nil
}

func playDemo(ctx context.Context, d *Daemon, players []*player, o DemoOptions) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	select {
	case <-d.Ready():
	case err := <-ended:
		return err
	}
	fmt.Fprintf(o.Out, "page    http://%s/\nbroker  %s, topics fairbore/1/quarry-lane/#\nseed    %d\n", d.Addr(), d.BrokerAddr(), o.Seed)
	fmt.Fprintln(o.Out, "All you see is simulated. At a real machine: stop the spindle before gauging, and follow the machine's manual.")
	var playing sync.WaitGroup
	errs := make([]error, len(players))
	for i, p := range players {
		playing.Go(func() { errs[i] = p.play(ctx, d) })
	}
	played := make(chan struct{})
	go func() { playing.Wait(); close(played) }()
	var err error
	select {
	case <-played:
		if o.Once {
			err = printRecords(ctx, d, players, o.Out)
		}
	case err = <-ended:
		ended <- nil
	}
	cancel()
	<-played
	return errors.Join(append(errs, err, <-ended)...)
}

// player plays one operator and one gauge.
type player struct {
	station string
	job     *simulator.Job
	line    io.WriteCloser
	rng     *rand.Rand
	options DemoOptions
	capture string
	part    string
	setup   simulator.Play
	zero    time.Time     // when the played session began
	began   time.Duration // how much of it the ring has taken
}

// play plays the job's part, and again, part after part, unless it is to be once.
func (p *player) play(ctx context.Context, d *Daemon) error {
	p.sleep(ctx, time.Second) // a silent line first, so that the driver need not doubt the first frame
	for n := 1; ; n++ {
		p.part = fmt.Sprintf("%03d", n)
		err := p.onePart(ctx, d)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("%s: %w", p.station, err)
		case p.options.Once:
			return nil
		}
		p.pause(ctx, 20*time.Second)
	}
}

// shopTemperature is that of the demo's rings and of a part that has cooled down.
const shopTemperature = 20 * analysis.Celsius

func (p *player) onePart(ctx context.Context, d *Daemon) error {
	ring := shopTemperature
	if err := p.do(ctx, d, session.Action{Do: "part", Part: p.part, Confirm: true}); err != nil {
		return err
	}
	if err := p.do(ctx, d, session.Action{Do: "warm", Warmth: session.Warmth{Ring: &ring}}); err != nil {
		return err
	}
	p.setup = simulator.Play{Button: p.capture == "button", Masterings: ringReadings, Zero: int64(p.rng.IntN(9)-4) * simulator.Micrometre / 10}
	if err := p.readRing(ctx, d, "master"); err != nil {
		return err
	}
	p.zero = time.Now().Add(-p.scaled(p.began)) // the ring has been read
	round := -1
	for step := range p.job.Session(p.setup, p.rng) {
		if ctx.Err() != nil {
			return nil
		}
		if step.Act == simulator.Honing {
			a := session.Action{Do: "round", Strokes: step.Strokes, Seconds: (step.To - step.From).Seconds(), Confirm: true}
			if err := p.do(ctx, d, a); err != nil {
				return err
			}
			p.until(ctx, step.To)
		}
		if step.Act != simulator.Measure {
			continue
		}
		if step.Round != round {
			round = step.Round
			part := shopTemperature + analysis.Temperature(step.Warm*float64(analysis.Celsius))
			if err := p.do(ctx, d, session.Action{Do: "warm", Warmth: session.Warmth{Part: &part}}); err != nil {
				return err
			}
		}
		before := p.readings(d)
		if err := p.send(ctx, step.Chunks); err != nil {
			return err
		}
		if err := p.counted(ctx, d, before); err != nil {
			return fmt.Errorf("round %d at %s/%d°: %w", round, analysis.Length(step.Place.Depth), step.Place.Angle, err)
		}
	}
	if err := p.readRing(ctx, d, "check"); err != nil {
		return err
	}
	return p.end(ctx, d)
}

// ringReadings is how often the demo reads a ring.
const ringReadings = 4

// readRing reads the ring: to master, or to check the zero before accepting.
func (p *player) readRing(ctx context.Context, d *Daemon, do string) error {
	if err := p.do(ctx, d, session.Action{Do: do, Of: ringReadings, Confirm: true}); err != nil {
		return err
	}
	p.zero, p.began = time.Now(), 0
	for step := range p.job.Session(p.setup, p.rng) {
		if step.Act != simulator.Master || ctx.Err() != nil {
			break
		}
		if err := p.send(ctx, step.Chunks); err != nil {
			return err
		}
		p.began = step.To
	}
	for late := time.Now().Add(10 * time.Second); ctx.Err() == nil; p.sleep(ctx, 5*time.Millisecond) {
		if b := d.Bore(p.station); b.Master.Running == nil && b.Master.OK {
			return nil
		}
		if time.Now().After(late) {
			return fmt.Errorf("%s: the ring readings were not taken: %s", do, d.Bore(p.station).Why)
		}
	}
	return nil
}

// send writes what the gauge says, each piece at its moment.
func (p *player) send(ctx context.Context, chunks []simulator.Chunk) error {
	for _, c := range chunks {
		p.until(ctx, c.At)
		if ctx.Err() != nil {
			return nil
		}
		if _, err := p.line.Write(c.Bytes); err != nil {
			return err
		}
	}
	return nil
}

// end accepts the part, or lays it aside with what the tool says of it.
func (p *player) end(ctx context.Context, d *Daemon) error {
	b := d.Bore(p.station)
	a := session.Action{Do: "accept"}
	if b.State != session.InSize {
		a = session.Action{Do: "reject", Reason: fmt.Sprintf("%s: %s", b.State, b.Why)}
	}
	return p.do(ctx, d, a)
}

func (p *player) do(ctx context.Context, d *Daemon, a session.Action) error {
	a.Source = "demo"
	r := d.Do(ctx, p.station, a)
	if !r.Done && ctx.Err() == nil {
		return fmt.Errorf("%s: %s", a.Do, r.Why)
	}
	return nil
}

func (p *player) readings(d *Daemon) int {
	if b := d.Bore(p.station); b != nil && b.Last != nil {
		return b.Last.No
	}
	return 0
}

// counted waits until a reading sent has been recorded. It is on the page a
// moment after it was sent; that the page lags is no fault of the demo's hand.
func (p *player) counted(ctx context.Context, d *Daemon, before int) error {
	late := time.Now().Add(10 * time.Second)
	for p.readings(d) <= before {
		if ctx.Err() != nil {
			return nil
		}
		if time.Now().After(late) {
			b := d.Bore(p.station)
			if b.Refused != nil {
				return fmt.Errorf("the value sent was not counted: %s", b.Refused.Reason)
			}
			return errors.New("the value sent was not counted")
		}
		p.sleep(ctx, 5*time.Millisecond)
	}
	return nil
}

// scaled is how long something takes at the pace of the demo.
func (p *player) scaled(d time.Duration) time.Duration {
	return time.Duration(float64(d) / p.options.Speed)
}

// until waits for a moment of the played session.
func (p *player) until(ctx context.Context, at time.Duration) {
	p.sleep(ctx, time.Until(p.zero.Add(p.scaled(at))))
}

func (p *player) pause(ctx context.Context, d time.Duration) {
	p.sleep(ctx, p.scaled(d))
}

func (p *player) sleep(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func printRecords(ctx context.Context, d *Daemon, players []*player, out io.Writer) error {
	for _, p := range players {
		r, err := d.partRecord(ctx, p.station, p.part)
		if err != nil {
			return err
		}
		fmt.Fprintln(out)
		if _, err := io.WriteString(out, report.Text(r)); err != nil {
			return err
		}
	}
	return nil
}
