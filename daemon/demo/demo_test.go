package demo

import (
	"context"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// played is a demo that was played to its end.
type played struct {
	visits []visited
	out    string
	events []event.Record
}

// playOnce plays a demo to an accepted part.
func playOnce(t *testing.T, o Options) *played { return play(t, o, math.MaxInt) }

// play plays a demo to an accepted part, or until so many places were visited.
func play(t *testing.T, o Options, most int) *played {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("no pseudo-terminals here")
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var p played
	var out strings.Builder
	o.Once, o.Listen, o.MQTT, o.Version = true, "127.0.0.1:0", "127.0.0.1:0", "test"
	o.Keep, o.Out, o.Log = t.TempDir(), &out, zerolog.New(io.Discard)
	o.visited = func(v *visited) { // of one operator
		if p.visits = append(p.visits, *v); len(p.visits) == most {
			cancel()
		}
	}
	if err := Play(ctx, o); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	p.out = out.String()
	j, err := store.View(context.Background(), filepath.Join(o.Keep, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for r, err := range j.Query(context.Background(), store.Filter{}) {
		if err != nil {
			t.Fatal(err)
		}
		p.events = append(p.events, r)
	}
	return &p
}

// whole checks that a part was gauged by motion alone: each reading taken at the
// place where the gauge was, within a micrometre and a half of the truth there,
// every place in every round; and that the part that was accepted is truly good.
func (p *played) whole(t *testing.T, how string) {
	t.Helper()
	var end *event.Verdict
	var job *analysis.Job
	done := map[int]map[analysis.Place]bool{} // by round
	for i := range p.events {
		switch e := &p.events[i]; e.Kind {
		case event.JobChosen:
			job = e.Job
		case event.PartBegun:
			clear(done)
		case event.Judged:
			end = e.Verdict
		case event.Taken:
			if r := e.Reading; r.How != how {
				t.Errorf("reading %d was taken by %q, want %q", r.No, r.How, how)
			} else if done[r.Round] == nil {
				done[r.Round] = map[analysis.Place]bool{r.Place: true}
			} else {
				done[r.Round][r.Place] = true
			}
		}
	}
	if job == nil || end == nil || !end.Accepted() {
		t.Fatalf("verdict %+v", end)
	}
	plan := job.Plan()
	for round := range end.Round + 1 {
		if len(done[round]) != len(plan) {
			t.Errorf("round %d: %d places of %d", round, len(done[round]), len(plan))
		}
	}
	if end.Round < 1 || !strings.Contains(p.out, "ACCEPTED") {
		t.Errorf("%d rounds:\n%s", end.Round, p.out)
	}
	p.right(t)
	limits := job.Limits
	for _, v := range p.visits[len(p.visits)-len(plan):] { // at most 0.2 µm of what can't be told apart
		if slack := analysis.Micrometre / 5; v.size < limits.Low-slack || v.size > limits.High+slack {
			t.Errorf("accepted with a true size of %s at %s", v.size, v.place)
		}
	}
}

// right checks each reading against the truth.
func (p *played) right(t *testing.T) {
	t.Helper()
	refused, twice := 0, 0
	for _, v := range p.visits {
		if len(v.took) == 0 {
			refused++
			t.Logf("refused at %s: %s", v.place, v.why)
		}
		twice += max(0, len(v.took)-1)
		for _, r := range v.took {
			off := (r.Raw + analysis.Length(r.Zero) - v.size).Abs()
			if r.Place != v.place || off > 3*analysis.Micrometre/2 {
				t.Errorf("gauged at %s, counted at %s, %s off", v.place, r.Place, off)
			}
		}
	}
	t.Logf("%d visits to places, %d refused, %d taken twice", len(p.visits), refused, twice)
}

// A sleeve that comes with a little left to hone is mastered, gauged, honed by the
// advice and accepted while nobody touches a key: only the motion of the gauge in a
// real pseudo-terminal captures. FAIRBORE_DEMO plays each job whole instead, at
// four times life, in a quarter of an hour.
func TestDemoWithoutAKey(t *testing.T) {
	jobs := []string{usualJob}
	o := Options{Speed: 6, Capture: "turning", Seed: 4, nearly: true}
	if os.Getenv("FAIRBORE_DEMO") != "" {
		jobs = []string{"J-4107", "J-4112", "J-4120", "J-4131"}
		o = Options{Speed: turningMost, Seed: uint64(time.Now().UnixNano())}
		t.Logf("seed %d", o.Seed)
	}
	for _, job := range jobs {
		t.Run(job, func(t *testing.T) {
			t.Parallel()
			o := o
			o.Job = job
			p := playOnce(t, o)
			p.whole(t, "turning")
		})
	}
}

// sizes are what the part reads before it is honed.
func (p *played) sizes() (out []analysis.Length) {
	for i := range p.events {
		if r := p.events[i].Reading; p.events[i].Kind == event.Taken && r.Round == 0 {
			out = append(out, r.Size)
		}
	}
	return out
}

// The same seed plays the same part; the next seed, and the next part of the same
// seed, another.
func TestDemoIsDrawnFromItsSeed(t *testing.T) {
	const places = 6
	sizes := func(seed uint64) []analysis.Length {
		p := play(t, Options{Speed: 600, Job: usualJob, Capture: "button", Seed: seed}, places)
		p.right(t)
		return p.sizes()
	}
	first := sizes(11)
	if again := sizes(11); len(first) != places || !slices.Equal(first, again) {
		t.Errorf("seed 11 gave %v, then %v", first, again)
	}
	if other := sizes(12); len(other) != places || slices.Equal(first, other) {
		t.Errorf("seeds 11 and 12 both gave %v", other)
	}
	p := operator{station: "hone-bay-2", part: "001", options: &Options{Seed: 11}}
	part := p.random("part").Uint64()
	if p.part = "002"; p.random("part").Uint64() == part {
		t.Error("part 002 is drawn as part 001 is")
	}
	if p.station = "bench-4"; p.random("honing").Uint64() == p.random("part").Uint64() {
		t.Error("hand and part are drawn from the same numbers")
	}
}

// A pace that is no number, or more than the program can follow, is refused.
func TestDemoRefusesAPaceThatIsNone(t *testing.T) {
	for _, speed := range []float64{0, -1, 0.001, 1e4, 1e300} {
		o := Options{Speed: speed, Once: true, Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", Out: io.Discard, Log: zerolog.New(io.Discard)}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		err := Play(ctx, o)
		cancel()
		if err == nil || !strings.Contains(err.Error(), "speed") {
			t.Errorf("speed %v: %v", speed, err)
		}
	}
}
