package daemon_test

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// The benchmarks in this file measure the whole way of a reading through the real program: from
// bytes into a pseudo-terminal to a subscriber of a broker. Each benchmark plays its loads in turn
// (A B C, A B C, …) through the systems that it compares. All systems sync every reading to disk
// before they pass it on. A benchmark reports medians over the rounds, and medians of the ratios
// within a round. The load of the machine is about the same within a round, but not in two
// different rounds.
//
//	go test ./daemon -run '^$' -bench 'OnePort50|Flood|Burst100|64Ports|Restart' -benchtime 1x -v

// line is a system under test. A gauge's line goes in, and readings come out at a subscriber.
type line struct {
	name  string
	topic string // level of the station in the system's topics
	gauge *daemontest.Gauge
	meter *meter
	pid   int
	fresh func() // called before each load
}

// play sends a load. It returns the outcome of the load and the processor time per 1000 readings in
// ms.
func (l *line) play(b *testing.B, n int, rate float64) (o outcome, cpuPer1000 float64) {
	b.Helper()
	l.fresh()
	l.meter.reset()
	before := cpu(b, l.pid)
	s := load(l.gauge, n, rate)
	l.meter.await(n)
	o = l.meter.outcome(map[string][]sent{l.topic: s})
	if o.lost > 0 || o.twice > 0 {
		b.Errorf("%s: %d of %d lost, %d twice or out of order", l.name, o.lost, o.sent, o.twice)
	}
	return o, ms(cpu(b, l.pid)-before) / float64(n) * 1000
}

// tuned starts a broker with the settings under which it holds no message back.
func tuned(b *testing.B, dir string) *daemontest.Mosquitto {
	return daemontest.NewMosquitto(b, dir, "allow_anonymous true", "max_inflight_messages 0")
}

// daemonLine starts the program on a line of its own.
func daemonLine(b *testing.B, name, broker, addr string) *line {
	r := daemontest.NewRig(b)
	r.Broker = broker
	r.Plug()
	r.Start()
	m := newMeter(b, addr, "bay2")
	r.Master()
	l := &line{name: name, topic: "bay2", gauge: r.Gauge, meter: m, pid: r.Proc.Process.Pid}
	l.fresh = func() {
		if reply := r.Do(event.Action{Do: "part", Confirm: true}); !reply.Done {
			b.Fatalf("next part: %s", reply.Why)
		}
	}
	l.play(b, 50, 100)
	return l
}

func viaMosquitto(b *testing.B, m *daemontest.Mosquitto) *line {
	return daemonLine(b, "daemon", fmt.Sprintf(`url: "tcp://%s"`, m.Addr), m.Addr)
}

func viaEmbedded(b *testing.B) *line {
	addr := daemontest.FreePort(b)
	return daemonLine(b, "embedded", fmt.Sprintf(`embedded: {listen: "%s", anonymous: true}`, addr), addr)
}

const python = "/usr/bin/python3" // has python3-serial and python3-paho-mqtt from the system's packages

// scriptLine starts the script on a line of its own.
func scriptLine(b *testing.B, m *daemontest.Mosquitto) *line {
	b.Helper()
	if err := exec.Command(python, "-c", "import serial, sqlite3, paho.mqtt.client").Run(); err != nil {
		daemontest.Missing(b, "python3 with pyserial and paho-mqtt is not installed")
	}
	r := daemontest.NewRig(b)
	r.Plug()
	host, port, _ := strings.Cut(m.Addr, ":")
	p := exec.Command(python, filepath.Join("..", "testdata", "bench", "naive.py"), r.Device, r.Path("naive.db"), host, port)
	p.Stderr = os.Stderr
	out, err := p.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := p.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { p.Process.Kill(); p.Wait() })
	if said, err := bufio.NewReader(out).ReadString('\n'); err != nil || said != "ready\n" {
		b.Fatalf("the script said %q, %v", said, err)
	}
	l := &line{name: "script", topic: "naive", gauge: r.Gauge, meter: newMeter(b, m.Addr, "naive"), pid: p.Process.Pid, fresh: func() {}}
	l.play(b, 50, 100)
	return l
}

// figures holds the values of each figure, one value per round.
type figures map[string][]float64

func (f figures) add(name string, v float64) { f[name] = append(f[name], v) }

// ratio adds the ratio of the newest value of a to the newest value of b.
func (f figures) ratio(name, a, b string) {
	f.add(name, f[a][len(f[a])-1]/f[b][len(f[b])-1])
}

// report reports the median of each figure. It logs the range over the rounds too.
func (f figures) report(b *testing.B) {
	names := make([]string, 0, len(f))
	for name, v := range f {
		names = append(names, name)
		b.ReportMetric(median(v), strings.ReplaceAll(name, " ", "-"))
	}
	slices.Sort(names)
	for _, name := range names {
		v := f[name]
		b.Logf("%-28s median %9.3f   %9.3f to %9.3f   n=%d", name, median(v), slices.Min(v), slices.Max(v), len(v))
	}
	b.ReportMetric(0, "ns/op") // removes ns/op, since the time of a round means nothing
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// rounds returns how often each system has its turn. FAIRBORE_ROUNDS sets the number.
func rounds(b *testing.B) int { return number(b, "FAIRBORE_ROUNDS", 5) }

// BenchmarkOnePort50 measures the delay from the last byte of a reading to the subscriber, at 50
// readings a second on one port.
func BenchmarkOnePort50(b *testing.B) {
	daemontest.Needs(b, "mosquitto")
	broker := tuned(b, b.TempDir())
	systems := []*line{viaMosquitto(b, broker), scriptLine(b, broker)}
	for b.Loop() {
		f := figures{}
		for range rounds(b) {
			for _, l := range systems {
				o, busy := l.play(b, number(b, "FAIRBORE_READINGS", 300), 50)
				f.add(l.name+" p50 ms", o.quantile(0.5))
				f.add(l.name+" p99 ms", o.quantile(0.99))
				f.add(l.name+" cpu ms/1000", busy)
			}
			f.ratio("p50 daemon/script", "daemon p50 ms", "script p50 ms")
			f.ratio("p99 daemon/script", "daemon p99 ms", "script p99 ms")
			f.ratio("cpu daemon/script", "daemon cpu ms/1000", "script cpu ms/1000")
		}
		f.report(b)
	}
}

// BenchmarkFlood measures how many readings a second get through when the gauge sends as fast as
// the line takes. Each reading is synced to disk.
func BenchmarkFlood(b *testing.B) {
	daemontest.Needs(b, "mosquitto")
	broker := tuned(b, b.TempDir())
	systems := []*line{viaMosquitto(b, broker), viaEmbedded(b), scriptLine(b, broker)}
	for _, l := range systems {
		l.meter.rate.Store(true)
	}
	for b.Loop() {
		f := figures{}
		for range rounds(b) {
			for _, l := range systems {
				n := 40000
				if l.name == "script" {
					n = 4000
				}
				o, busy := l.play(b, n, 0)
				f.add(l.name+" readings/s", o.rate)
				f.add(l.name+" cpu ms/1000", busy)
			}
			f.ratio("rate daemon/script", "daemon readings/s", "script readings/s")
			f.ratio("rate embedded/script", "embedded readings/s", "script readings/s")
		}
		f.report(b)
	}
}

// BenchmarkBurst100 sends 100 readings at once and measures how long it takes until the last one is
// at the subscriber.
func BenchmarkBurst100(b *testing.B) {
	daemontest.Needs(b, "mosquitto")
	broker := tuned(b, b.TempDir())
	systems := []*line{viaMosquitto(b, broker), viaEmbedded(b), scriptLine(b, broker)}
	for b.Loop() {
		f := figures{}
		for range 3 * rounds(b) {
			for _, l := range systems {
				time.Sleep(100 * time.Millisecond)
				o, _ := l.play(b, 100, 0)
				f.add(l.name+" last ms", ms(o.end))
			}
			f.ratio("last script/daemon", "script last ms", "daemon last ms")
			f.ratio("last script/embedded", "script last ms", "embedded last ms")
		}
		f.report(b)
	}
}
