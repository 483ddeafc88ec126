package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/visit"
	"fairbore/drivers"
	"fairbore/drivers/simulator"
)

// A rocked gauge plays visits into a pseudo-terminal while the program runs: what
// the daemon takes is what the capture as a pure function takes of the same
// samples, those of the recording that the daemon made meanwhile: nothing of a park
// and of a rock over one side, the size of a good rock.
func TestTurningThroughALine(t *testing.T) {
	throughALine(t, simulator.TwoPoint, "turning", capture.Options{Mode: capture.Turning}, simulator.Parked, simulator.OneSided)
}

// So do visits of gauges that come to rest: nothing of one that is only pulled through.
func TestThreePointThroughALine(t *testing.T) {
	throughALine(t, simulator.ThreePoint, "settled", capture.Options{Mode: capture.Settled}, simulator.Dragged)
}

// An air gauge is waited for longer, without being told to in the configuration.
func TestAirThroughALine(t *testing.T) {
	throughALine(t, simulator.Air, "settled", capture.Options{Mode: capture.Settled, Settle: 1500 * time.Millisecond}, simulator.Dragged)
}

func throughALine(t *testing.T, contact simulator.Contact, mode string, o capture.Options, bad ...simulator.Visit) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Kind = map[simulator.Contact]string{simulator.TwoPoint: "two-point", simulator.ThreePoint: "three-point", simulator.Air: "air"}[contact]
	r.More = "capture: " + mode + ", record: true"
	r.Start()
	r.Eventually(10*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b.Gauge != nil && !b.Gauge.Lost })
	rng := rand.New(rand.NewPCG(5, 14))
	for _, v := range bad {
		play(r.Gauge, contact, v, rng)
	}
	// On a machine that stalls a visit may be lost, to both alike: then another one.
	visits := len(bad)
	for range 8 {
		visits++
		play(r.Gauge, contact, simulator.Good, rng)
		if b := r.Bore(); b != nil && b.Last != nil {
			break
		}
	}
	r.Eventually(20*time.Second, "a reading", func() bool { b := r.Bore(); return b != nil && b.Last != nil })
	r.Stop()

	var got []analysis.Length
	for _, x := range r.Taken("bay2") {
		got = append(got, x.Raw)
	}
	want := pure(t, r.Path("recordings"), o)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("the daemon took %v, the pure function %v", got, want)
	}
	visitsKept(r, visits)
}

// visitsKept checks the visits that were kept: one file each, with the outcome that the journal has; the same
// program scores them as the same, and a recording of a visit plays as any other.
func visitsKept(r *daemontest.Rig, visits int) {
	r.T.Helper()
	files, err := filepath.Glob(r.Path("recordings/visits/bay2-*.rec"))
	if err != nil || len(files) != visits {
		r.T.Errorf("%v: %d visits kept, want %d: %q", err, len(files), visits, files)
	}
	var got []visit.Reading
	for _, f := range files {
		v, err := visit.Load(f)
		if err != nil {
			r.T.Fatalf("%s: %v", f, err)
		}
		for _, x := range v.Taken {
			x.At += time.Duration(v.Began.UnixNano())
			got = append(got, x)
		}
		if len(v.Taken)+len(v.Refused) == 0 {
			r.T.Errorf("%s says nothing of what came of it", f)
		}
	}
	var want []visit.Reading
	for _, x := range r.Taken("bay2") {
		want = append(want, visit.Reading{At: time.Duration(x.At.UnixNano()), Raw: x.Raw, U: x.U, Passes: x.Turns})
	}
	// The visit's time is by the steady clock, the event's by the wall's, which is slewed.
	if !slices.EqualFunc(got, want, func(a, b visit.Reading) bool {
		off := a.At - b.At
		a.At = b.At
		return a == b && off.Abs() < 5*time.Millisecond
	}) {
		r.T.Errorf("the visits have %+v, the journal %+v", got, want)
	}
	code, said := r.Exit("replay", "--score", "--format", "ndjson", r.Path("recordings"))
	if all := fmt.Sprintf(`{"kind":"all","visits":%d,"readings_before":%d,"readings_now":%[2]d,"same":%[2]d,"other":0,"newly_read":0,"no_longer_read":0,"changed":0`, visits, len(want)); code != 0 || !strings.Contains(said, all) {
		r.T.Errorf("score: exit %d: %s\nwant %s", code, said, all)
	}
	if code, said := r.Exit("replay", "-c", r.Path("fairbore.yaml"), files[len(files)-1]); code != 0 || strings.Count(said, `"raw_mm"`) != 1 {
		r.T.Errorf("replay of a visit: exit %d: %s", code, said)
	}
}

// visitOf is a visit to the ring with a gauge like one of the demo's shop.
func visitOf(contact simulator.Contact, v simulator.Visit) simulator.Params {
	const degree = math.Pi / 180
	gauge := simulator.Gauges()[0]
	gauge.Rate, gauge.Contact, gauge.Settle = 20, contact, 0.3
	if contact == simulator.Air {
		gauge.Settle = 0.6
	}
	return simulator.Params{
		Gauge: gauge, Visit: v, Size: 317_497_000, Air: 0.5, Insert: 0.3, Drag: 0.4, Withdraw: 0.3, DragTilt: 2 * degree, Hold: 2 + 4*gauge.Settle,
		From: 40, Wobble: 0.2, Turns: 4, Half: 1, Swing: 2.5 * degree, Off: 0.1, Dwell: 0.15, Near: 1.5 * degree, NearScatter: 0.2 * degree, Tremor: 0.01 * degree,
	}
}

// play writes the lines of a visit in its own time.
func play(g *daemontest.Gauge, contact simulator.Contact, v simulator.Visit, rng *rand.Rand) {
	p := visitOf(contact, v)
	points, _ := simulator.Run(p, rng)
	start := time.Now()
	for _, x := range points {
		time.Sleep(x.T - time.Since(start)) // the motion is real time
		g.Send(string(p.Gauge.Format(nil, x)))
	}
}

// pure is what the capture takes of the samples of the recordings in a folder.
func pure(t *testing.T, dir string, o capture.Options) (taken []analysis.Length) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.rec"))
	if err != nil || len(files) != 1 {
		t.Fatalf("recordings %v, %v; want one", files, err)
	}
	text, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	rec, err := drivers.ParseRecording(text)
	if err != nil {
		t.Fatal(err)
	}
	d, err := drivers.Find("line")
	if err != nil {
		t.Fatal(err)
	}
	dec, err := d.Decoder(nil)
	if err != nil {
		t.Fatal(err)
	}
	nominal, err := analysis.ParseLength("31.75 mm")
	if err != nil {
		t.Fatal(err)
	}
	o.Nominal, o.Repeatability, o.Resolution = nominal, analysis.Deviation(15*analysis.Micrometre/100), analysis.Deviation(analysis.Micrometre/10)
	c, err := capture.New(o)
	if err != nil {
		t.Fatal(err)
	}
	stream := drivers.Stream{Decoder: dec}
	for _, chunk := range rec.Entries {
		stream.Feed(chunk.Data, false, func(f drivers.Found) {
			for _, s := range f.Samples {
				l, err := analysis.ParseLength(s.Decimal() + " mm")
				if err != nil {
					t.Fatal(err)
				}
				for _, x := range c.Feed(capture.Sample{At: chunk.At, Value: l}) {
					if x.Kind == capture.Taken {
						taken = append(taken, x.Value)
					}
				}
			}
		})
	}
	return taken
}
